"""How long no cycle has finished, by a clock that nobody sets."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.common.clock import lies_ahead
from service.store.repositories.cycles import last_finished

PERIODS_UNTIL_ILL = 2


class Silence:
    """Counted from this process's start at the earliest. Safe for threads.

    Rows bear the wall clock's times, which say nothing of how long ago once it was set. So the rows say only
    that another cycle has finished; how long that is ago the steady clock counts from when it was seen.
    """

    def __init__(self, clock: Callable[[], datetime], steady: Callable[[], float]) -> None:
        self._clock, self._steady = clock, steady
        self._lock = threading.Lock()
        self._since_s = self._looked_s = steady()
        self._newest: tuple[int, datetime] | None = None

    def lasts(self, session: Session) -> timedelta:
        """How long it has lasted."""
        last = last_finished(session)
        newest = (last.id, last.finished_at) if last is not None and last.finished_at is not None else None
        with self._lock:
            now_s = self._steady()
            if newest is not None and newest != self._newest:
                age_s = (self._clock() - newest[1]).total_seconds()
                self._since_s = now_s - min(max(age_s, 0.0), now_s - self._looked_s)
            self._newest, self._looked_s = newest, now_s
            return timedelta(seconds=now_s - self._since_s)

    def why_ill(self, session: Session, cycle_minutes: int) -> str:
        """What is wrong with the cycles, in a sentence; "" when nothing is."""
        lasts = self.lasts(session)
        if lasts > PERIODS_UNTIL_ILL * timedelta(minutes=cycle_minutes):
            return f"No cycle has finished for {round(lasts / timedelta(minutes=1))} minutes."
        now = self._clock()
        if self._newest is not None and lies_ahead(self._newest[1], now):
            minutes = round((self._newest[1] - now) / timedelta(minutes=1))
            return f"The newest cycle finished {minutes} minutes ahead of the clock, which was set back."
        return ""
