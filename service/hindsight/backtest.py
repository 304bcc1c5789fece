"""Stored forecasts through today's rules: the record that it would have had.

Each judged night is judged again as of each lead, on the forecasts that had come by then. With other wishes
the night is another one: its windows are computed anew, and its outcome judged on the evidence still kept.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np
from sqlalchemy.orm import Session

from alerts.judging.assess import assess
from alerts.judging.verdict import Verdict
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night
from alerts.track.calibration.correct import recalibrated
from alerts.track.calibration.leads import LEADS, Stated, moment_of
from alerts.track.calibration.model import Calibration
from alerts.track.calibration.pairs import JudgedNight, Pairs, build_pairs, build_stated
from alerts.track.observations.evidence import Event
from alerts.track.observations.outcome import Outcome, judge_night
from alerts.wishes.model import Wishes
from service.hindsight.past_inputs import inputs_at, night_of, nights_under, site_of
from service.hindsight.verification import gather_evidence
from service.store.json_values import from_json
from service.store.repositories import judged_events
from service.store.repositories.forecasts import newest_by_place, place_key
from service.store.repositories.pairs import Told, find_told
from service.store.repositories.sites import StoredSite
from service.store.schema.track_tables import JudgedEventRow

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Replay:
    """What came of it. go_limit_pct: by which goes are counted; without: nights without a stored forecast."""

    pairs: Pairs
    go_limit_pct: int
    nights: int
    without: int
    unsure: int


def replay(
    session: Session,
    ephemeris: Ephemeris,
    first: date,
    last: date,
    *,
    wishes: Wishes | None,
    calibration: Calibration | None,
    progress: Progress,
) -> Replay:
    """Replay the judged nights from `first` to `last`. wishes: in place of the subscribers' own.

    calibration: state chances as this version would; else they stay as forecast.
    """
    found = list(find_told(session, first=first, last=last))
    if wishes is not None:  # other wishes make one event of a site's night, however many it had
        first_told: dict[tuple[int, date], Told] = {}
        for each in found:
            first_told.setdefault((each.event.site_id, each.event.night_name), each)
        found = list(first_told.values())
    judged: list[JudgedNight] = []
    for done, told in enumerate(found, start=1):
        night = _replay_night(session, ephemeris, told, wishes)
        judged += [night] if night is not None else []
        progress(done, len(found))
    usual = _wishes(found[0]) if found else Wishes()
    limit_pct = (wishes or usual).chance_go_pct
    pairs = build_pairs(judged)
    if calibration is not None:
        pairs = recalibrated(pairs, calibration)
        enough = np.floor(100 * pairs.stated + 0.5) >= limit_pct
        pairs = replace(pairs, told_go=enough & ~pairs.is_barred)
    unsure = sum(night.outcome.judge is None for night in judged)
    return Replay(pairs, limit_pct, len(judged), len(found) - len(judged), unsure)


def _wishes(told: Told) -> Wishes:
    return from_json(Wishes, told.decisions[-1].wishes)


def _replay_night(
    session: Session, ephemeris: Ephemeris, told: Told, other: Wishes | None
) -> JudgedNight | None:
    """The night as today's rules state it at each lead; None where no forecast was stored."""
    stored = site_of(session, told.event.site_revision_id)
    wishes = other or _wishes(told)
    nights = nights_under(stored.site, told.event.night_name, wishes, ephemeris)
    if other is None:
        nights[0] = night_of(session, told.decisions[-1].night_id)
    starts = [window.span.start for each in nights for window in each.windows]
    if not starts:
        return None
    start = told.event.window_start if other is None else min(starts)
    moments = sorted(moment_of(lead, start) for lead in LEADS)
    verdicts = [(moment, _assess(session, stored, nights, wishes, moment)) for moment in moments]
    stated = [(verdict, _stated(verdict, moment)) for moment, verdict in verdicts if verdict is not None]
    event = _event(told, wishes, [verdict for verdict, _ in stated]) if stated else None
    if event is None:
        return None
    mine = [
        said
        for verdict, said in stated
        if verdict.window is not None and verdict.window.span.overlap(event.window) is not None
    ]
    outcome = _outcome(session, told, stored, event)
    return JudgedNight(told.event.site_id, told.event.night_name, mine, outcome)


def _assess(
    session: Session, stored: StoredSite, nights: Sequence[Night], wishes: Wishes, moment: datetime
) -> Verdict | None:
    place = place_key(stored.site)
    known = newest_by_place(session, {place}, moment).get(place, [])
    if not known:
        return None
    inputs = inputs_at(session, stored.site, (each.forecast for each in known), moment)
    return assess(inputs, nights, wishes).verdict


def _stated(verdict: Verdict, moment: datetime) -> Stated:
    chance_pct = verdict.outlook.chance_pct if verdict.outlook else None
    return build_stated(
        verdict.reasons,
        verdict.outlook,
        as_of=moment,
        confirmed_at=moment,
        chance_pct=chance_pct,
        raw_chance_pct=chance_pct,
    )


def _event(told: Told, wishes: Wishes, verdicts: list[Verdict]) -> Event | None:
    """The event that the last verdict is about; the stored one where they overlap and are as long."""
    window = verdicts[-1].window
    if window is None or window.span.duration < wishes.shortest_window:
        return None
    own = judged_events.event_of(told.event)
    if own.window.overlap(window.span) is not None and own.shortest == wishes.shortest_window:
        return own
    middle = window.track[len(window.track) // 2].azimuth_deg if window.track else None
    return Event(window.span, wishes.shortest_window, middle)


def _outcome(session: Session, told: Told, stored: StoredSite, event: Event) -> Outcome:
    """The stored outcome where the event is the same, else one on the evidence that is still kept."""
    if event == judged_events.event_of(told.event):
        return told.judged.outcome
    row = JudgedEventRow(
        site_id=told.event.site_id,
        night_name=told.event.night_name,
        window_start=event.window.start,
        window_end=event.window.end,
        shortest_minutes=round(event.shortest / timedelta(minutes=1)),
    )
    return judge_night(event, stored.site, gather_evidence(session, row, stored))
