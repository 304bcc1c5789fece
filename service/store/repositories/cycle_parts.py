"""Parts of a cycle: blocks of a stage, each worked on by one process at a time.

A part is taken under a lease and a token. Every transaction of the work on it first moves the lease on,
which fails when another process has taken the part over meanwhile: a process that was frozen and wakes up
writes nothing any more. An advisory lock would end with its connection while its owner still works.
"""

from __future__ import annotations

import logging
import secrets
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, or_, select, update
from sqlalchemy.orm import Session

from alerts.common.errors import DuskbellError
from alerts.common.phrases import phrase, say
from service.common.clock import SET_BY
from service.store.engine import changed_rows
from service.store.repositories.operator_alerts import note_trouble
from service.store.schema.core_tables import CyclePartRow

log = logging.getLogger(__name__)

LEASE = timedelta(seconds=120)
"""Longer than the longest transaction of a part (its statements end after 30 s each)."""
LONGEST_LEASE = timedelta(minutes=10)
"""Of those stages whose work waits for others between two transactions."""
TRIES_BEFORE_DIVIDING = 3
"""After so many failures a part is halved, until the one thing that makes it fail stands alone."""

Ids = list[Any]


class LeaseLost(DuskbellError):
    """Another process has taken this part over; nothing of what this one did lately is kept."""


@dataclass(frozen=True, slots=True)
class Held:
    """A part in hand."""

    part_id: int
    cycle_id: int
    stage: str
    ids: Ids
    token: str
    lease: timedelta


def open_parts(
    session: Session, cycle_id: int, stage: str, blocks: Iterable[Ids], wall: datetime
) -> list[int]:
    """Lay out a stage's work; the new parts' ids."""
    parts = [
        CyclePartRow(cycle_id=cycle_id, stage=stage, ids=ids, opened_at=wall, attempts=0, counts={})
        for ids in blocks
    ]
    session.add_all(parts)
    session.flush()
    return [part.id for part in parts]


def take(session: Session, part_id: int, wall: datetime, *, lease: timedelta = LEASE) -> Held | None:
    """Take a part in hand; None when it is done, or another process has it."""
    token = secrets.token_hex(16)
    taken = session.execute(
        update(CyclePartRow)
        .where(
            CyclePartRow.id == part_id,
            CyclePartRow.done_at.is_(None),
            _is_free(wall),
        )
        .values(lease_token=token, leased_until=wall + lease, attempts=CyclePartRow.attempts + 1)
        .returning(CyclePartRow.cycle_id, CyclePartRow.stage, CyclePartRow.ids)
        .execution_options(synchronize_session=False)
    ).one_or_none()
    return Held(part_id, taken.cycle_id, taken.stage, taken.ids, token, lease) if taken else None


def _is_free(wall: datetime) -> ColumnElement[bool]:
    """Nobody has it in hand. A lease that ends later than any could is of a clock that was set back since."""
    ends = CyclePartRow.leased_until
    return or_(ends.is_(None), ends < wall, ends > wall + LONGEST_LEASE + SET_BY)


def hold_on(connection: Connection, held: Held, wall: datetime) -> None:
    """Move the lease on; LeaseLost when it isn't ours any more. The row stays locked to the transaction's
    end, so nobody can take the part over between this and the commit."""
    _change(connection, held, leased_until=wall + held.lease)


def finish(session: Session, held: Held, wall: datetime, counts: dict[str, int]) -> None:
    """Record that the part is done, and what it did."""
    _change(session, held, done_at=wall, counts=counts, lease_token=None, leased_until=None)


def give_back(session: Session, held: Held, note: str) -> None:
    """Let the part be tried again: the work on it failed."""
    _change(session, held, lease_token=None, leased_until=None, note=note)


def _change(within: Session | Connection, held: Held, **values: object) -> None:
    changed = changed_rows(
        within,
        update(CyclePartRow)
        .where(
            CyclePartRow.id == held.part_id,
            CyclePartRow.lease_token == held.token,
            CyclePartRow.done_at.is_(None),
        )
        .values(**values)
        .execution_options(synchronize_session=False),
    )
    if not changed:
        raise LeaseLost(phrase("store.part-taken-over", part_id=held.part_id, stage=held.stage))


def count_open(session: Session, cycle_id: int, stage: str) -> int:
    """How many parts of the stage aren't done."""
    query = select(func.count()).where(
        CyclePartRow.cycle_id == cycle_id, CyclePartRow.stage == stage, CyclePartRow.done_at.is_(None)
    )
    return session.scalar(query) or 0


def newest_stage(session: Session, cycle_id: int) -> tuple[str, datetime] | None:
    """The stage laid out last, and when; None before the first."""
    query = (
        select(CyclePartRow.stage, CyclePartRow.opened_at)
        .where(CyclePartRow.cycle_id == cycle_id)
        .order_by(CyclePartRow.id.desc())
        .limit(1)
    )
    row = session.execute(query).one_or_none()
    return (row.stage, row.opened_at) if row else None


def leave_behind(session: Session, before_cycle: int, wall: datetime) -> int:
    """Close what older cycles left open: what is due is found anew. A process at work on one is refused
    at its next step. How many."""
    return changed_rows(
        session,
        update(CyclePartRow)
        .where(CyclePartRow.cycle_id < before_cycle, CyclePartRow.done_at.is_(None))
        .values(done_at=wall, lease_token=None, leased_until=None, note=say("store.part-left-behind"))
        .execution_options(synchronize_session=False),
    )


def find_idle(session: Session, wall: datetime) -> Sequence[CyclePartRow]:
    """Open parts that nobody has in hand."""
    query = select(CyclePartRow).where(CyclePartRow.done_at.is_(None), _is_free(wall))
    return session.scalars(query.order_by(CyclePartRow.id).with_for_update(skip_locked=True)).all()


def divide(session: Session, part: CyclePartRow, wall: datetime) -> list[int]:
    """Halve a part that fails again and again; one that can't be halved is given up and told of."""
    part.done_at, part.lease_token, part.leased_until = wall, None, None
    if len(part.ids) > 1:
        middle = len(part.ids) // 2
        halves = [part.ids[:middle], part.ids[middle:]]
        return open_parts(session, part.cycle_id, part.stage, halves, wall)
    whom = part.ids[0] if part.ids else "nothing"
    text = say("store.stage-fails", stage=part.stage, whom=whom, note=part.note or "")
    log.error("given up: %s", text)
    note_trouble(session, f"stage {part.stage}", text, wall)
    return []


def sum_counts(session: Session, cycle_id: int) -> dict[str, int]:
    """What all parts of a cycle did."""
    counts: Counter[str] = Counter()
    for each in session.scalars(select(CyclePartRow.counts).where(CyclePartRow.cycle_id == cycle_id)):
        counts.update(each)
    return dict(counts)
