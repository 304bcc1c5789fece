"""Cycles as rows: a tick counts once, however often it is triggered."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from service.common.clock import SET_BY
from service.store.engine import insert_into
from service.store.schema.core_tables import CycleRow, DutyTurnRow


def cycle_key(now: datetime) -> str:
    """One key a minute: a second trigger of the same tick finds the first one's row."""
    return f"{now:%Y-%m-%dT%H:%MZ}"


def key_of(session: Session, key: str, wall: datetime) -> str:
    """The key of a tick of the wall's clock. Where a cycle of that key is there and others have begun since,
    the clock was set back: the minute comes again, and is another tick."""
    before = session.scalar(select(CycleRow.id).where(CycleRow.key == key))
    if before is None or before == session.scalar(select(func.max(CycleRow.id))):
        return key
    return f"{wall:%Y-%m-%dT%H:%M:%SZ} again"


def begin(session: Session, now: datetime, wall: datetime) -> CycleRow | None:
    """The cycle to run for this tick; None when it already finished. One that died is taken up again."""
    key = cycle_key(now)
    if abs(wall - now) < SET_BY:
        key = key_of(session, key, wall)
    session.execute(
        insert_into(session, CycleRow)
        .values(key=key, as_of=now, started_at=wall, counts={})
        .on_conflict_do_nothing(index_elements=["key"])
    )
    cycle = session.scalars(select(CycleRow).where(CycleRow.key == key).with_for_update()).one()
    return None if cycle.finished_at else cycle


def finish(session: Session, cycle_id: int, wall: datetime, counts: dict[str, Any]) -> None:
    """Record that all stages of the cycle ran, and what they did."""
    cycle = session.get_one(CycleRow, cycle_id)
    cycle.finished_at = wall
    cycle.counts = counts


def last_finished(session: Session) -> CycleRow | None:
    """The newest cycle that finished, or None before the first. By their order, not by the clock, which
    may have been set back."""
    query = select(CycleRow).where(CycleRow.finished_at.is_not(None))
    return session.scalar(query.order_by(CycleRow.id.desc()).limit(1))


def cycles_between(session: Session, since: datetime, until: datetime) -> list[datetime]:
    """As of which moments cycles ran in that time, ascending; also those that didn't finish."""
    row = CycleRow
    return list(session.scalars(select(row.as_of).where(row.as_of.between(since, until)).order_by(row.as_of)))


def lock_newest(session: Session) -> CycleRow | None:
    """The cycle begun last, its row locked; None before the first."""
    query = select(CycleRow).order_by(CycleRow.id.desc()).limit(1)
    return session.scalar(query.with_for_update())


def lock_cycle(session: Session, cycle_id: int) -> None:
    """Let nobody else move that cycle on before the transaction ends."""
    query = select(CycleRow.id).where(CycleRow.id == cycle_id)
    session.scalars(query.with_for_update()).one()


def begin_once(session: Session, key: str, now: datetime) -> int | None:
    """Begin the cycle of that key as of `now`; its id, None where it was begun already. On PostgreSQL."""
    begun = (
        insert_into(session, CycleRow)
        .values(key=key_of(session, key, now), as_of=now, started_at=now, counts={})
        .on_conflict_do_nothing(index_elements=["key"])
        .returning(CycleRow.id)
    )
    return session.scalar(begun)


def take_turn(session: Session, name: str, moment: datetime, now: datetime) -> bool:
    """Whether this moment of a recurring task is still to be served, and by the caller: the database lets one
    turn count.

    A turn that lies ahead of the clock was taken before that was set back: this one is served in its place.
    """
    fresh = insert_into(session, DutyTurnRow).values(name=name, due_at=moment)
    taken = fresh.on_conflict_do_update(
        index_elements=["name"],
        set_={"due_at": fresh.excluded.due_at},
        where=or_(DutyTurnRow.due_at < fresh.excluded.due_at, DutyTurnRow.due_at > now + SET_BY),
    ).returning(DutyTurnRow.name)
    return session.scalar(taken) is not None
