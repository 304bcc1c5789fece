"""A deadline shared by everything that one command or one cycle asks for."""

from __future__ import annotations

import time
from collections.abc import Callable


class Deadline:
    """An end on the monotonic clock, `seconds` from now; changes of the wall clock don't move it."""

    def __init__(self, seconds: float, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._ends = monotonic() + seconds

    @property
    def remaining_s(self) -> float:
        """Seconds left, never below zero."""
        return max(0.0, self._ends - self._monotonic())

    @property
    def has_passed(self) -> bool:
        return self.remaining_s <= 0

    def at_most(self, seconds: float) -> Deadline:
        """The same deadline, or an earlier one `seconds` from now."""
        return Deadline(min(seconds, self.remaining_s), monotonic=self._monotonic)
