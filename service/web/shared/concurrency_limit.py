"""What takes seconds to work out, a few at a time; who comes beyond waits a while, or is told to come again.

A request that is worked out holds a thread, and all of them share one interpreter: twenty years at once took
a gigabyte, and each came later than in a row.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from starlette.exceptions import HTTPException

AT_ONCE = 2
PRESENT_AT_MOST = 24
"""Those that work and those that wait; the server has 40 threads, and other pages need some."""
WAIT_S = 10.0
COME_AGAIN_S = 5


class Busy(HTTPException):
    """Too much of it is asked for at once."""

    def __init__(self) -> None:
        super().__init__(
            503,
            f"Too much is being worked out just now. Try again in {COME_AGAIN_S} seconds.",
            headers={"Retry-After": str(COME_AGAIN_S)},
        )


class Turns:
    """At most `at_once` threads work, and `present_at_most` work or wait. Safe for threads."""

    def __init__(
        self, at_once: int = AT_ONCE, present_at_most: int = PRESENT_AT_MOST, wait_s: float = WAIT_S
    ) -> None:
        self._free = threading.Semaphore(at_once)
        self._places = threading.Semaphore(present_at_most)
        self._wait_s = wait_s
        self._mine = threading.local()

    @contextmanager
    def place(self) -> Iterator[None]:
        """Be among those that wait or work; Busy when there are too many. Who has a place takes no second."""
        with self._once("has_place", self._places, wait_s=0.0):
            yield

    @contextmanager
    def turn(self) -> Iterator[None]:
        """Work as long as the block lasts; Busy when one's turn doesn't come in time. Who has it keeps it."""
        with self.place(), self._once("has_turn", self._free, wait_s=self._wait_s):
            yield

    @contextmanager
    def _once(self, name: str, semaphore: threading.Semaphore, wait_s: float) -> Iterator[None]:
        if getattr(self._mine, name, False):
            yield
            return
        if not semaphore.acquire(timeout=wait_s):
            raise Busy
        setattr(self._mine, name, True)
        try:
            yield
        finally:
            setattr(self._mine, name, False)
            semaphore.release()
