"""What was said of judged nights and what came of them, read from the store."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from pydantic import TypeAdapter
from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.rules import Reason
from alerts.span import Span
from alerts.track.evidence import Judge, OutcomeState
from alerts.track.leads import Stated
from alerts.track.outcome import Outcome
from alerts.track.pairs import JudgedNight, Pairs, build_pairs, joined
from alerts.track.statements import build_stated
from alerts.weather.outlook import Outlook
from service.store import tables
from service.store.codec import from_json
from service.store.tables_track import JudgedEvent
from service.store.track import NOBODY, event_of

BLOCK = 500
_LENGTH: TypeAdapter[timedelta] = TypeAdapter(timedelta)


@dataclass(frozen=True, slots=True)
class Told:
    """One judged event with the decisions that one subscription was given of it."""

    event: JudgedEvent
    subscription_id: int
    judged: JudgedNight
    decisions: tuple[tables.Decision, ...]


def load_pairs(session: Session, site_id: int | None = None) -> Pairs:
    """All pairs, of one site or of all; each event counts once, however many were told of it."""
    parts: list[Pairs] = []
    batch: list[JudgedNight] = []
    for told in find_told(session, site_id=site_id):
        batch.append(told.judged)
        if len(batch) >= BLOCK:
            parts.append(build_pairs(batch))
            batch = []
    return joined([*parts, build_pairs(batch)])


def find_told(
    session: Session, *, site_id: int | None = None, first: date = date.min, last: date = date.max
) -> Iterator[Told]:
    """Every judged event with what was said of it to the first who subscribed, in order of time."""
    query = (
        select(JudgedEvent, tables.Outcome)
        .join(tables.Outcome, JudgedEvent.outcome_id == tables.Outcome.id)
        .where(JudgedEvent.night_name.between(first, last))
        .order_by(JudgedEvent.night_name, JudgedEvent.id)
    )
    if site_id is not None:
        query = query.where(JudgedEvent.site_id == site_id)
    by_night: dict[date, list[tuple[JudgedEvent, tables.Outcome]]] = defaultdict(list)
    for event, outcome in session.execute(query):
        by_night[event.night_name].append((event, outcome))
    for night in sorted(by_night):
        yield from _told_of_night(session, night, by_night[night])


def _told_of_night(
    session: Session, night: date, events: Sequence[tuple[JudgedEvent, tables.Outcome]]
) -> Iterator[Told]:
    own = _decisions(session, night, {event.site_id for event, _ in events})
    outlooks = _outlooks(session, [decision for each in own.values() for decision in each])
    for event, outcome in events:
        for (site_id, subscription_id), decisions in own.items():
            mine = [each for each in decisions if _overlaps(each, event)]
            if site_id == event.site_id and any(_is_about(each, event) for each in mine):
                stated = [_stated(each, event, outlooks) for each in mine]
                judged = JudgedNight(site_id, night, stated, _outcome(event, outcome))
                yield Told(event, subscription_id, judged, tuple(mine))
                break


def _decisions(
    session: Session, night: date, sites: set[int]
) -> dict[tuple[int, int], list[tables.Decision]]:
    """By site and subscription, each ascending."""
    query = (
        select(tables.Decision, tables.Subscription.site_id)
        .join(tables.Subscription, tables.Subscription.id == tables.Decision.subscription_id)
        .where(tables.Decision.night_name == night, tables.Subscription.site_id.in_(sites))
        .order_by(tables.Subscription.id, tables.Decision.id)
    )
    found: dict[tuple[int, int], list[tables.Decision]] = defaultdict(list)
    for decision, site_id in session.execute(query):
        found[site_id, decision.subscription_id].append(decision)
    return found


def _outlooks(session: Session, decisions: Sequence[tables.Decision]) -> dict[int, Outlook]:
    ids = {number for decision in decisions for number in decision.outlook_ids}
    rows = session.scalars(select(tables.Outlook).where(tables.Outlook.id.in_(ids)))
    return {row.id: from_json(Outlook, row.facts) for row in rows}


def _overlaps(decision: tables.Decision, event: JudgedEvent) -> bool:
    start, end = decision.window_start, decision.window_end
    return start is not None and end is not None and start < event.window_end and event.window_start < end


def _is_about(decision: tables.Decision, event: JudgedEvent) -> bool:
    shortest = _LENGTH.validate_python(decision.wishes["shortest_window"])
    window = (decision.window_start, decision.window_end)
    same_length = round(shortest / timedelta(minutes=1)) == event.shortest_minutes
    return same_length and window == (event.window_start, event.window_end)


def _stated(decision: tables.Decision, event: JudgedEvent, outlooks: dict[int, Outlook]) -> Stated:
    """What was told, with the chance before calibration where it was corrected."""
    window = Span(event.window_start, event.window_end)
    own = [outlooks[number] for number in decision.outlook_ids if number in outlooks]
    near = [each for each in own if each.window.overlap(window) is not None]
    near.sort(key=lambda each: each.chance_pct != decision.chance_pct)
    outlook = near[0] if near else None
    return build_stated(
        [from_json(Reason, reason) for reason in decision.reasons],
        outlook,
        as_of=decision.as_of,
        confirmed_at=decision.confirmed_at,
        chance_pct=decision.chance_pct,
        raw_chance_pct=_raw_pct(decision, outlook),
    )


def _raw_pct(decision: tables.Decision, outlook: Outlook | None) -> int | None:
    if outlook is None or outlook.raw_chance_pct is None:
        return decision.chance_pct
    return outlook.raw_chance_pct


def _outcome(event: JudgedEvent, row: tables.Outcome) -> Outcome:
    """What scores need of an outcome, without its witnesses."""
    judge = None if row.judge == NOBODY else Judge(row.judge)
    why = str(row.facts["outcome"]["why"])
    return Outcome(event_of(event), OutcomeState(row.state), judge, why, ())
