"""Stage 6: nights that are over -> what they were really like, and a calibration of what was said.

Every judged window is looked at, those of a `stay` included, or nights missed would stay unseen. Each is
looked at three times, because reports come late, and again when a person says something. A stored decision
is never touched.
"""

from __future__ import annotations

import logging
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from pydantic import TypeAdapter
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import Phrase
from alerts.common.span import Span
from alerts.sky.night import Night
from alerts.track.observations.evidence import Judge, OutcomeState
from alerts.track.observations.outcome import Evidence, Outcome, combine, judge_night
from alerts.track.observations.stations import (
    CLEAR_OKTAS,
    DULL_NIGHTS,
    NightSeen,
    find_copies,
    find_never_cloudy,
)
from alerts.track.observations.witnesses import clear_share_of
from alerts.weather.forecast import Place
from service.explain.stored_verdict import decided_span, night_then, site_then
from service.feeds.shared.model import Gather
from service.observations.model import Ask, Observe
from service.store.repositories import (
    calibrations,
    climates,
    decisions,
    forecasts,
    judged_events,
    record_rows,
)
from service.store.repositories.sites import StoredSite
from service.store.schema.core_tables import OutcomeRow
from service.store.schema.track_tables import JudgedEventRow

log = logging.getLogger(__name__)

FIRST_LOOK = timedelta(hours=2)
LOOKS = (FIRST_LOOK, timedelta(hours=14), timedelta(hours=48))
"""After the window's end. Stations report late, feeds analyse later still."""
LOOK_BACK = timedelta(days=5)
"""Nights that ended while the service was away for longer are left unjudged: reports are gone by then."""
OVERLAP = timedelta(hours=30)
BLOCK = 200
COPIES_OVER = timedelta(days=10)
NEVER_CLOUDY_OVER = timedelta(days=150)
REPORTS_KEPT = timedelta(days=60)
REPORTS_LAST = timedelta(days=14)
"""How long the sources keep what stations reported: 15 days at aviationweather.gov, a week at the NWS."""

_LENGTH: TypeAdapter[timedelta] = TypeAdapter(timedelta)


@dataclass(frozen=True, slots=True)
class Verifying:
    """What the stage needs. observe: asks the stations; gather: asks the feeds about hours gone by.

    as_aside: ask them for cloud of single runs alone, which costs least.
    """

    sessions: sessionmaker[Session]
    observe: Observe
    gather: Gather
    as_aside: bool = False


def run(verifying: Verifying, now: datetime) -> dict[str, int]:
    """Note the events that have ended, judge those that are due, and refit once a night."""
    with verifying.sessions.begin() as session:
        counts = {"events": note_events(session, now)}
    counts |= judge_due(verifying, now)
    written = 1
    while written:
        with verifying.sessions.begin() as session:
            written = record_rows.write_due(session)
    with verifying.sessions.begin() as session:
        if calibrations.refit_if_due(session, now):
            judged_events.forget_reports(session, now - REPORTS_KEPT)
            counts["calibrations"] = 1
    return {name: count for name, count in counts.items() if count}


def note_events(session: Session, now: datetime) -> int:
    """Rows for the windows that the newest decisions are about and that have ended; how many are new."""
    newest = judged_events.newest_window_end(session)
    first = now - LOOK_BACK if newest is None else max(now - LOOK_BACK, newest - OVERLAP)
    added = 0
    nights: dict[int, Night] = {}
    for decision, site_id in decisions.ended_windows(session, first, now - FIRST_LOOK):
        shortest = _LENGTH.validate_python(decision.wishes["shortest_window"])
        window = decided_span(decision)
        assert window is not None, "its window has ended"
        if not timedelta(0) < shortest <= window.duration:
            continue
        shortest_minutes = max(1, round(shortest / timedelta(minutes=1)))
        if judged_events.is_noted(session, site_id, window, shortest_minutes):
            continue
        if decision.night_id not in nights:
            nights[decision.night_id] = night_then(session, decision.night_id)
        # toward where the target stands nearest to the window's middle
        windows = nights[decision.night_id].windows
        points = [point for each in windows if each.span.overlap(window) is not None for point in each.track]
        near = min(points, key=lambda point: abs(point.at - window.middle), default=None)
        session.add(
            JudgedEventRow(
                site_id=site_id,
                site_revision_id=decision.site_revision_id,
                night_name=decision.night_name,
                window_start=window.start,
                window_end=window.end,
                shortest_minutes=shortest_minutes,
                toward_deg=None if near is None else round(near.azimuth_deg, 1),
                looks=0,
                look_at=window.end + FIRST_LOOK,
            )
        )
        session.flush()
        added += 1
    return added


def judge_due(verifying: Verifying, now: datetime) -> dict[str, int]:
    """Look at all events that are due, a block at a time."""
    counts = {"judged": 0, "station_reports": 0, "observation_failures": 0, "left_for_later": 0}
    last = 0
    while True:
        with verifying.sessions() as session:
            block = list(judged_events.due_events(session, now, BLOCK, last))
            sites = {row.site_revision_id: site_then(session, row.site_revision_id) for row in block}
        if not block:
            return counts
        last = block[-1].id
        asks = []
        for row in block:
            site = sites[row.site_revision_id].site
            asks.append(Ask(site.lat_deg, site.lon_deg, Span(row.window_start, row.window_end)))
        heard = verifying.observe(asks)
        counts["observation_failures"] += len(heard.failures)
        with verifying.sessions.begin() as session:
            counts["station_reports"] += judged_events.keep_reports(session, heard.observed, now)

        # those stay due whose stations couldn't be asked yet and still keep their reports
        ready = [
            row
            for row, ask in zip(block, asks, strict=True)
            if ask not in heard.later or now - row.window_end >= REPORTS_LAST
        ]
        counts["left_for_later"] += len(block) - len(ready)
        _ask_past(verifying, ready, sites, now)
        with verifying.sessions.begin() as session:
            for row in ready:
                counts["judged"] += _look(session, row.id, sites[row.site_revision_id], now)


def _ask_past(
    verifying: Verifying, block: Sequence[JudgedEventRow], sites: dict[int, StoredSite], now: datetime
) -> None:
    """Ask the feeds about the hours of windows of which they have said nothing since; keep the answers
    apart from forecasts."""
    by_night: defaultdict[date, list[JudgedEventRow]] = defaultdict(list)
    with verifying.sessions() as session:
        for row in block:
            key = forecasts.place_key(sites[row.site_revision_id].site)
            if not judged_events.find_analyses(session, key, Span(row.window_start, row.window_end)):
                by_night[row.night_name].append(row)
    for rows in by_night.values():
        keys = {}
        for stored in (sites[row.site_revision_id] for row in rows):
            site = stored.site
            elevation_m = site.elevation_m if stored.elevation_known else None
            place = Place(site.lat_deg, site.lon_deg, elevation_m, is_aside=verifying.as_aside)
            keys[place] = forecasts.place_key(site) + judged_events.PAST
        span = Span(min(row.window_start for row in rows), max(row.window_end for row in rows))
        gathered = verifying.gather(list(keys), span)
        with verifying.sessions.begin() as session:
            for forecast in gathered.forecasts:
                fetched_at = forecast.source.fetched_at
                is_past = fetched_at is None or fetched_at >= span.end
                if forecast.place in keys and is_past and forecast.reaches(span):
                    forecasts.keep(session, keys[forecast.place], forecast, fetched_at=now)


def _look(session: Session, event_id: int, stored: StoredSite, now: datetime) -> bool:
    """Judge one event on all that is known now, note how clear its night was at the place, and say when to
    look again; whether it says anything new."""
    row = session.get(JudgedEventRow, event_id)
    assert row is not None, "events are never removed"
    event, evidence = judged_events.event_of(row), gather_evidence(session, row, stored)
    outcome = judge_night(event, stored.site, evidence)
    clear_share = clear_share_of(event.window, evidence.analyses)
    if clear_share is not None:
        climates.note_night(session, forecasts.place_key(stored.site), row.night_name, clear_share, now)
    row.looks += 1
    row.look_at = next((row.window_end + wait for wait in LOOKS if row.window_end + wait > now), None)
    return judged_events.keep_outcome(session, row, outcome, now)


def judge_again(session: Session, site_id: int, night: date, now: datetime) -> list[Outcome]:
    """Judge what has ended of a site's night on what the store holds now; nobody is asked."""
    found = []
    for row in judged_events.ended_events(session, site_id, night, now):
        _look(session, row.id, site_then(session, row.site_revision_id), now)
        kept = session.get(OutcomeRow, row.outcome_id)
        assert kept is not None, "a look leaves an outcome"
        found.append(judged_events.read_outcome(kept))
    record_rows.write_due(session)
    return found


def gather_evidence(session: Session, row: JudgedEventRow, stored: StoredSite) -> Evidence:
    """All that the store holds on one event."""
    window, site = Span(row.window_start, row.window_end), stored.site
    around = Span(window.start - judged_events.AROUND, window.end + judged_events.AROUND)
    stations, reports = judged_events.find_reports(session, site.lat_deg, site.lon_deg, around)
    aside: dict[str, Phrase] = {}
    if len(stations) > 1:
        before = Span(window.end - COPIES_OVER, around.end)
        aside |= find_copies(judged_events.find_reports(session, site.lat_deg, site.lon_deg, before)[1])
    if any(report.reading.okta_max <= CLEAR_OKTAS for report in reports):
        aside |= find_never_cloudy(_seen_before(session, row))
    return Evidence(
        stations=stations,
        reports=reports,
        people=judged_events.find_person_reports(session, row.site_id, row.night_name),
        analyses=judged_events.find_analyses(session, forecasts.place_key(site), window),
        set_aside=aside,
    )


def _seen_before(session: Session, row: JudgedEventRow) -> list[NightSeen]:
    """What stations that never saw cloud said of the site's earlier nights, and what was settled without
    them."""
    last = row.night_name - timedelta(days=1)
    rows = judged_events.find_outcomes(session, row.site_id, row.night_name - NEVER_CLOUDY_OVER, last)
    if len(rows) < DULL_NIGHTS:
        return []
    by_night = {each.night_name: judged_events.read_outcome(each) for each in rows}
    said = [
        (witness, night)
        for night, outcome in by_night.items()
        for witness in outcome.accounts
        if witness.judge is Judge.STATIONS and witness.says is not OutcomeState.UNSURE
    ]
    cloudy = {witness.witness for witness, _ in said if witness.says is OutcomeState.NOT_CLEAR}
    seen = []
    for witness, night in said:
        if witness.witness not in cloudy:
            outcome = by_night[night]
            rest = [each for each in outcome.accounts if each.witness != witness.witness]
            station, _, _ = witness.witness.partition(" ")
            seen.append(NightSeen(station, night, witness.says, combine(outcome.event, rest).state))
    return seen
