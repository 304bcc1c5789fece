"""The clocks, in a module of its own so that quick commands needn't load the whole service.

`now` is read once at the edge and passed down: that is how the demo runs a week in seconds. Leases, retries
and the dates of messages use the real clock. How long something takes or is silent is counted by a steady
one, which nobody sets.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

SET_BY = timedelta(minutes=1)
"""A clock that moved by more than this was set; time servers that only nudge it stay below."""


def real_clock() -> datetime:
    """Now, aware UTC."""
    return datetime.now(UTC)


def lies_ahead(moment: datetime, wall: datetime) -> bool:
    """Whether something that has happened bears a time that is still to come: the clock was set back since,
    or the clock of who wrote it goes wrong."""
    return moment > wall + SET_BY


@dataclass(frozen=True, slots=True)
class Moment:
    """now: what time it is for the messages, which judges what still helps; wall: the real time, by which
    leases end and attempts are repeated."""

    now: datetime
    wall: datetime


class ClockWatch:
    """Notices that the wall clock was set, by a second one that nobody sets.

    wall: what the clock shows.  steady: seconds of a clock that only runs on.
    """

    def __init__(self, wall: Callable[[], datetime], steady: Callable[[], float]) -> None:
        self._wall, self._steady = wall, steady
        self._seen, self._seen_s = wall(), steady()

    def moved_by(self) -> timedelta:
        """By how much it was set since that was told last; nothing below a minute."""
        wall, steady_s = self._wall(), self._steady()
        moved = wall - self._seen - timedelta(seconds=steady_s - self._seen_s)
        if abs(moved) <= SET_BY:
            return timedelta(0)
        self._seen, self._seen_s = wall, steady_s
        return moved
