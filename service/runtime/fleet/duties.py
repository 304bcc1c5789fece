"""Recurring duties at fixed moments of the day: whichever scheduler comes first takes the turn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import or_
from sqlalchemy.dialects import postgresql
from sqlalchemy.orm import Session

from service.common.clock import SET_BY
from service.store.schema.fleet_tables import DutyTurn

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

Do = Callable[[Session, datetime, datetime], None]
"""Takes the session of the transaction in which the turn was taken, the moment it fell due, and the time."""


@dataclass(frozen=True, slots=True)
class Duty:
    """Something to be done every so often, counted from midnight UTC on the first of January 1970.

    offset: how long after the round moments, so that not everybody asks on the hour.
    """

    name: str
    every: timedelta
    do: Do
    offset: timedelta = timedelta(0)


def due_at(duty: Duty, now: datetime) -> datetime:
    """The latest moment, not after `now`, at which the duty fell due."""
    since = now - EPOCH - duty.offset
    return EPOCH + duty.offset + duty.every * (since // duty.every)


def take_turn(session: Session, name: str, moment: datetime, now: datetime) -> bool:
    """Whether this moment is still to be served, and by the caller: the database lets one turn count.

    A turn that lies ahead of the clock was taken before that was set back: this one is served in its place.
    """
    fresh = postgresql.insert(DutyTurn).values(name=name, due_at=moment)
    taken = fresh.on_conflict_do_update(
        index_elements=["name"],
        set_={"due_at": fresh.excluded.due_at},
        where=or_(DutyTurn.due_at < fresh.excluded.due_at, DutyTurn.due_at > now + SET_BY),
    ).returning(DutyTurn.name)
    return session.scalar(taken) is not None
