"""What was said of judged nights and what came of them, read from the store."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from pydantic import TypeAdapter
from sqlalchemy import Row, select
from sqlalchemy.orm import Session

from alerts.common.phrases import phrase_at
from alerts.common.span import Span
from alerts.judging.rules import Reason
from alerts.track.calibration.model import LEADS, Lead, Stated
from alerts.track.calibration.pairs import JUDGES, JudgedNight, Pairs, build_stated, joined, lineage_columns
from alerts.track.observations.evidence import Judge, OutcomeState
from alerts.track.observations.outcome import Outcome
from alerts.weather.outlook import Outlook
from service.store.engine import in_chunks
from service.store.json_values import from_json
from service.store.repositories.decisions import outlooks_by_id
from service.store.repositories.judged_events import NOBODY, event_of
from service.store.schema.core_tables import DecisionRow, OutcomeRow, SubscriptionRow
from service.store.schema.track_tables import JudgedEventRow, RecordRow

BLOCK = 500
ROWS_AT_ONCE = 20_000
_LENGTH: TypeAdapter[timedelta] = TypeAdapter(timedelta)
_LEAD_PLACE = {lead.value: place for place, lead in enumerate(LEADS)}
_JUDGE_PLACE = {judge.value: place for place, judge in enumerate(JUDGES)}
Ended = tuple[JudgedEventRow, OutcomeRow]
ENDED = (
    select(JudgedEventRow, OutcomeRow)
    .join(OutcomeRow, JudgedEventRow.outcome_id == OutcomeRow.id)
    .order_by(JudgedEventRow.night_name, JudgedEventRow.id)
)
"""Events with what came, in order of time."""


@dataclass(frozen=True, slots=True)
class Told:
    """One judged event with the decisions that one subscription was given of it."""

    event: JudgedEventRow
    subscription_id: int
    judged: JudgedNight
    decisions: tuple[DecisionRow, ...]


def load_pairs(
    session: Session,
    site_id: int | None = None,
    *,
    lead: Lead | None = None,
    wishes_key: str | None = None,
    with_lineages: bool = True,
) -> Pairs:
    """All pairs, of one site or of all; each event counts once at a lead, however many were told of it.

    lead: that one alone. wishes_key: as those were told who wish so. One query; without the lineages a
    million pairs take some seconds, and half of that with them left out.
    """
    row = RecordRow
    columns: list[Any] = [row.site_id, row.night_name, row.lead, row.judge, row.chance_pct]
    columns += [row.raw_chance_pct, row.clear, row.told_go, row.is_barred, row.member_share]
    query = select(*columns, *([row.lineages] if with_lineages else [])).where(
        row.clear.is_not(None), row.is_counted if wishes_key is None else row.wishes_key == wishes_key
    )
    if site_id is not None:
        query = query.where(RecordRow.site_id == site_id)
    if lead is not None:
        query = query.where(RecordRow.lead == lead.value)
    ordered = query.order_by(RecordRow.night_name, RecordRow.id).execution_options(yield_per=ROWS_AT_ONCE)
    return joined([_pairs_of(rows) for rows in session.execute(ordered).partitions()])


def _pairs_of(rows: Sequence[Row[Any]]) -> Pairs:
    columns = list(zip(*rows, strict=True))
    site, night, lead, judge, chance, raw, clear, told_go, is_barred, member_share, *lineages = columns
    return Pairs(
        site=np.array(site, dtype=np.int64),
        night=np.array([each.toordinal() for each in night], dtype=np.int64),
        lead=np.array([_LEAD_PLACE[each] for each in lead], dtype=np.int64),
        judge=np.array([_JUDGE_PLACE[each] for each in judge], dtype=np.int64),
        stated=np.array(chance, dtype=np.float64) / 100,
        raw=np.array(raw, dtype=np.float64) / 100,
        clear=np.array(clear, dtype=np.bool_),
        told_go=np.array(told_go, dtype=np.bool_),
        is_barred=np.array(is_barred, dtype=np.bool_),
        member_share=np.array(member_share, dtype=np.float64),
        lineages=lineage_columns(lineages[0]) if lineages else {},
    )


def find_told(
    session: Session, *, site_id: int | None = None, first: date = date.min, last: date = date.max
) -> Iterator[Told]:
    """Every judged event with what was said of it to the first who subscribed, in order of time."""
    query = ENDED.where(JudgedEventRow.night_name.between(first, last))
    if site_id is not None:
        query = query.where(JudgedEventRow.site_id == site_id)
    ended = [(event, outcome) for event, outcome in session.execute(query)]
    for block in in_chunks(ended, BLOCK):
        last_event = None
        for told in told_of(session, block):
            if told.event is not last_event:
                yield told
            last_event = told.event


def told_of(session: Session, ended: Sequence[Ended]) -> Iterator[Told]:
    """What was said of these events to each who was told of them, by event and subscription."""
    own = _decisions(session, [event for event, _ in ended])
    told = [each for of_site in own.values() for decisions in of_site.values() for each in decisions]
    outlooks = outlooks_by_id(session, {number for each in told for number in each.outlook_ids})
    for event, outcome in ended:
        judge = None if outcome.judge == NOBODY else Judge(outcome.judge)
        why = phrase_at(outcome.facts["outcome"], "why")
        # what scores need of an outcome, without its witnesses
        came = Outcome(event_of(event), OutcomeState(outcome.state), judge, why, ())
        for subscription_id, decisions in own[event.site_id, event.night_name].items():
            mine = [
                each
                for each in decisions
                if each.window_start is not None
                and each.window_end is not None
                and each.window_start < event.window_end
                and event.window_start < each.window_end
            ]
            if any(_is_about(each, event) for each in mine):
                stated = [_stated(each, event, outlooks) for each in mine]
                judged = JudgedNight(event.site_id, event.night_name, stated, came)
                yield Told(event, subscription_id, judged, tuple(mine))


def _decisions(
    session: Session, events: Sequence[JudgedEventRow]
) -> dict[tuple[int, date], dict[int, list[DecisionRow]]]:
    """By site and night, then by subscription, each ascending."""
    query = (
        select(DecisionRow, SubscriptionRow.site_id)
        .join(SubscriptionRow, SubscriptionRow.id == DecisionRow.subscription_id)
        .where(
            DecisionRow.night_name.in_({event.night_name for event in events}),
            SubscriptionRow.site_id.in_({event.site_id for event in events}),
        )
        .order_by(SubscriptionRow.id, DecisionRow.id)
    )
    found: dict[tuple[int, date], dict[int, list[DecisionRow]]] = defaultdict(lambda: defaultdict(list))
    for decision, site_id in session.execute(query):
        found[site_id, decision.night_name][decision.subscription_id].append(decision)
    return found


def _is_about(decision: DecisionRow, event: JudgedEventRow) -> bool:
    shortest = _LENGTH.validate_python(decision.wishes["shortest_window"])
    window = (decision.window_start, decision.window_end)
    same_length = round(shortest / timedelta(minutes=1)) == event.shortest_minutes
    return same_length and window == (event.window_start, event.window_end)


def _stated(decision: DecisionRow, event: JudgedEventRow, outlooks: dict[int, Outlook]) -> Stated:
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
    )
