"""Letting the collector of reference cycles rest while a stage makes many values that have none."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

ALLOCATIONS_BETWEEN = 200_000
"""Net allocations between two passes over the youngest objects; the interpreter's own is 700. Each pass over
all objects grows with what is at hand, and a block of sites has a million of them."""


@contextmanager
def few_collections() -> Iterator[None]:
    """Passes of the collector are rare meanwhile; what was set before is set again."""
    before = gc.get_threshold()
    gc.set_threshold(ALLOCATIONS_BETWEEN, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
