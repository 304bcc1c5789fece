"""Stored forecasts through today's rules: the record that it would have had.

Each judged night is judged again as of each lead, on the forecasts that had come by then. With other wishes
the night is another one: its windows are computed anew, and its outcome judged on the evidence still kept.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from sqlalchemy.orm import Session

from alerts.judging.assess import assess
from alerts.judging.verdict import Verdict
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.nights.night_builder import night_named
from alerts.track.calibration.correct import recalibrated
from alerts.track.calibration.model import LEADS, Calibration, Stated, moment_of
from alerts.track.calibration.pairs import JudgedNight, Pairs, build_pairs, build_stated
from alerts.track.observations.evidence import Event
from alerts.track.observations.outcome import judge_night
from alerts.wishes.model import Wishes
from service.explain.stored_verdict import inputs_then, night_then, site_then
from service.hindsight.verification import gather_evidence
from service.store.json_values import from_json
from service.store.repositories import judged_events
from service.store.repositories.forecasts import newest_by_place, place_key
from service.store.repositories.pairs import Told
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
    found: Sequence[Told],
    *,
    wishes: Wishes | None,
    progress: Progress,
) -> Replay:
    """Replay what was told of judged nights, see `find_told`. wishes: in place of the subscribers' own."""
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
    usual = from_json(Wishes, found[0].decisions[-1].wishes) if found else Wishes()
    unsure = sum(night.outcome.judge is None for night in judged)
    limit_pct = (wishes or usual).chance_go_pct
    return Replay(build_pairs(judged), limit_pct, len(judged), len(found) - len(judged), unsure)


def calibrated(found: Replay, calibration: Calibration) -> Replay:
    """The same with the chances that this version would have stated."""
    pairs = recalibrated(found.pairs, calibration)
    enough = np.floor(100 * pairs.stated + 0.5) >= found.go_limit_pct
    return replace(found, pairs=replace(pairs, told_go=enough & ~pairs.is_barred))


def _replay_night(
    session: Session, ephemeris: Ephemeris, told: Told, other: Wishes | None
) -> JudgedNight | None:
    """The night as today's rules state it at each lead; None where no forecast was stored."""
    stored = site_then(session, told.event.site_revision_id)
    wishes = other or from_json(Wishes, told.decisions[-1].wishes)
    name = told.event.night_name
    nights = [night_named(stored.site, name, sky, ephemeris) for sky in wishes.skies]
    if other is None:
        nights[0] = night_then(session, told.decisions[-1].night_id)
    starts = [window.span.start for each in nights for window in each.windows]
    if not starts:
        return None

    # judged as of each lead, on the forecasts that had come by then
    start = told.event.window_start if other is None else min(starts)
    place = place_key(stored.site)
    stated: list[tuple[Verdict, Stated]] = []
    for moment in sorted(moment_of(lead, start) for lead in LEADS):
        known = newest_by_place(session, {place}, moment).get(place, {})
        if known:
            inputs = inputs_then(session, stored.site, known.values(), moment)
            verdict = assess(inputs, nights, wishes).verdict
            pct, outlook = verdict.chance_pct, verdict.outlook
            made = build_stated(verdict.reasons, outlook, as_of=moment, confirmed_at=moment, chance_pct=pct)
            stated.append((verdict, made))
    event = _event(told, wishes, stated[-1][0]) if stated else None
    if event is None:
        return None
    mine = [
        said
        for verdict, said in stated
        if verdict.window is not None and verdict.window.span.overlap(event.window) is not None
    ]

    # the stored outcome where the event is the same, else one on the evidence that is still kept
    outcome = told.judged.outcome
    if event != judged_events.event_of(told.event):
        row = JudgedEventRow(
            site_id=told.event.site_id,
            night_name=name,
            window_start=event.window.start,
            window_end=event.window.end,
            shortest_minutes=round(event.shortest / timedelta(minutes=1)),
        )
        outcome = judge_night(event, stored.site, gather_evidence(session, row, stored))
    return JudgedNight(told.event.site_id, name, mine, outcome)


def _event(told: Told, wishes: Wishes, last: Verdict) -> Event | None:
    """The event that the last verdict is about; the stored one where they overlap and are as long."""
    window = last.window
    if window is None or window.span.duration < wishes.shortest_window:
        return None
    own = judged_events.event_of(told.event)
    if own.window.overlap(window.span) is not None and own.shortest == wishes.shortest_window:
        return own
    middle = window.track[len(window.track) // 2].azimuth_deg if window.track else None
    return Event(window.span, wishes.shortest_window, middle)
