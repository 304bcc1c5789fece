"""Letting the collector of reference cycles rest while a stage makes many values that have none."""

from __future__ import annotations

import gc
import threading
from collections.abc import Iterator
from contextlib import contextmanager

ALLOCATIONS_BETWEEN = 200_000
"""Net allocations between two passes over the youngest objects; the interpreter's own is 700. Each pass over
all objects grows with what is at hand, and a block of sites has a million of them."""


class _Rest:
    """The collector's setting belongs to the process; judging and sending may both want it at once."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._wanted_by = 0
        self._before = (0, 0, 0)

    def begin(self) -> None:
        with self._lock:
            self._wanted_by += 1
            if self._wanted_by == 1:
                self._before = gc.get_threshold()
                gc.set_threshold(ALLOCATIONS_BETWEEN, *self._before[1:])

    def end(self) -> None:
        with self._lock:
            self._wanted_by -= 1
            if self._wanted_by == 0:
                gc.set_threshold(*self._before)


_REST = _Rest()


@contextmanager
def few_collections() -> Iterator[None]:
    """Passes of the collector are rare meanwhile; what was set before is set again when nobody else wants
    them rare."""
    _REST.begin()
    try:
        yield
    finally:
        _REST.end()
