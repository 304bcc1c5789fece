"""Recurring duties at fixed moments of the day: whichever scheduler comes first takes the turn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy.orm import Session

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
