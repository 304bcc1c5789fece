"""The record's rows: written once an event's outcome is known, and anew when it changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import delete, insert, or_, select
from sqlalchemy.orm import Session

from alerts.track.evidence import OutcomeState
from alerts.track.leads import LEADS, moment_of, standing_at
from alerts.wishes import Wishes
from service.store import tables
from service.store.codec import from_json, to_json
from service.store.pairs import BLOCK, Ended, Told, told_of
from service.store.tables import digest_of
from service.store.tables_track import JudgedEvent, RecordRow
from service.store.track import NOBODY


def write_due(session: Session) -> int:
    """Write the rows of the next events that have an outcome and no rows for it yet, at most 500; how many
    events that were."""
    ended = _due(session)
    if not ended:
        return 0
    session.execute(delete(RecordRow).where(RecordRow.event_id.in_([event.id for event, _ in ended])))
    rows = list(_rows(told_of(session, ended)))
    if rows:
        session.execute(insert(RecordRow), rows)
    for event, outcome in ended:
        event.recorded_outcome_id = outcome.id
    session.flush()
    return len(ended)


def _due(session: Session) -> Sequence[Ended]:
    """Of one night or few, so that their decisions are read together."""
    query = (
        select(JudgedEvent, tables.Outcome)
        .join(tables.Outcome, JudgedEvent.outcome_id == tables.Outcome.id)
        .where(
            or_(
                JudgedEvent.recorded_outcome_id.is_(None),
                JudgedEvent.recorded_outcome_id != JudgedEvent.outcome_id,
            )
        )
        .order_by(JudgedEvent.night_name, JudgedEvent.id)
        .limit(BLOCK)
    )
    return [(event, outcome) for event, outcome in session.execute(query)]


def _rows(all_told: Iterator[Told]) -> Iterator[dict[str, Any]]:
    """The first who was told counts in the record; of others only those who wish something else are kept."""
    seen: dict[int, set[str]] = {}
    for told in all_told:
        wishes = from_json(Wishes, told.decisions[-1].wishes)
        key = wishes_key(wishes)
        known = seen.setdefault(told.event.id, set())
        if key not in known:
            yield from _rows_of(told, key, wishes.chance_go_pct, is_counted=not known)
        known.add(key)


def wishes_key(wishes: Wishes) -> str:
    """What to know wishes by that differ in nothing but the go limit, as far as verdicts go."""
    return digest_of(to_json(replace(wishes.judged, chance_go_pct=0)))


def _rows_of(told: Told, key: str, go_limit_pct: int, *, is_counted: bool) -> Iterator[dict[str, Any]]:
    event, outcome = told.event, told.judged.outcome
    is_settled = outcome.judge is not None and outcome.state is not OutcomeState.UNSURE
    for lead in LEADS:
        stated = standing_at(told.judged.statements, moment_of(lead, event.window_start))
        if stated is None or stated.chance is None or stated.raw_chance is None:
            continue
        yield {
            "event_id": event.id,
            "site_id": event.site_id,
            "night_name": event.night_name,
            "lead": lead.value,
            "judge": outcome.judge.value if outcome.judge and is_settled else NOBODY,
            "clear": outcome.state is OutcomeState.CLEAR if is_settled else None,
            "chance_pct": round(100 * stated.chance),
            "raw_chance_pct": round(100 * stated.raw_chance),
            "told_go": stated.told_go,
            "is_barred": stated.is_barred,
            "member_share": stated.member_share,
            "lineages": dict(stated.lineages),
            "wishes_key": key,
            "go_limit_pct": go_limit_pct,
            "is_counted": is_counted,
        }
