"""Cycles as rows: a tick counts once, however often it is triggered."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.store import tables


def cycle_key(now: datetime) -> str:
    """One key a minute: a second trigger of the same tick finds the first one's row."""
    return f"{now:%Y-%m-%dT%H:%MZ}"


def begin(session: Session, now: datetime, wall: datetime) -> tables.Cycle | None:
    """The cycle to run for this tick; None when it already finished. One that died is taken up again."""
    insert = sqlite.insert if session.get_bind().dialect.name == "sqlite" else postgresql.insert
    session.execute(
        insert(tables.Cycle)
        .values(key=cycle_key(now), as_of=now, started_at=wall, counts={})
        .on_conflict_do_nothing(index_elements=["key"])
    )
    cycle = session.scalars(
        select(tables.Cycle).where(tables.Cycle.key == cycle_key(now)).with_for_update()
    ).one()
    return None if cycle.finished_at else cycle


def finish(session: Session, cycle_id: int, wall: datetime, counts: dict[str, Any]) -> None:
    """Record that all stages of the cycle ran, and what they did."""
    cycle = session.get_one(tables.Cycle, cycle_id)
    cycle.finished_at = wall
    cycle.counts = counts


def last_finished(session: Session) -> tables.Cycle | None:
    """The cycle that finished last, or None before the first."""
    query = select(tables.Cycle).where(tables.Cycle.finished_at.is_not(None))
    return session.scalar(query.order_by(tables.Cycle.finished_at.desc(), tables.Cycle.id.desc()).limit(1))
