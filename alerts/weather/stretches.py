"""Stretches of a wished length inside a window, over a forecast's stepwise values."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import pairwise

from alerts.span import Span


@dataclass(frozen=True, slots=True)
class Stretch:
    """Gap-free time from `start` on; parts[first:after] cover it."""

    start: datetime
    first: int
    after: int


def stretch_at(parts: Sequence[Span], start: datetime, length: timedelta) -> Stretch | None:
    """The parts that cover [start, start + length); None when some of that time lies in none.

    parts: ascending, not overlapping; time between them is unknown.
    """
    end = start + length
    first = bisect_right(parts, start, key=lambda part: part.end)
    after = bisect_left(parts, end, key=lambda part: part.start)
    touched = parts[first:after]
    if not touched or touched[0].start > start or touched[-1].end < end:
        return None
    if any(left.end < right.start for left, right in pairwise(touched)):
        return None
    return Stretch(start, first, after)


def starts_to_try(parts: Sequence[Span], length: timedelta) -> tuple[datetime, ...]:
    """Starts that are enough to find the best stretch, ascending.

    Values are constant within a part, so what a moving stretch touches changes only where it begins
    with a part or ends with one.
    """
    starts = {part.start for part in parts} | {part.end - length for part in parts}
    return tuple(sorted(starts))


def all_stretches(parts: Sequence[Span], length: timedelta) -> tuple[Stretch, ...]:
    """One stretch for each start worth trying, where the parts cover it without a gap."""
    return _all_stretches(tuple(parts), length)


@lru_cache(maxsize=256)
def _all_stretches(parts: tuple[Span, ...], length: timedelta) -> tuple[Stretch, ...]:
    """Remembered, as models of one feed cut a window into the same parts."""
    found = (stretch_at(parts, start, length) for start in starts_to_try(parts, length))
    return tuple(stretch for stretch in found if stretch is not None)


def total(parts: Sequence[Span]) -> timedelta:
    """How much time the parts cover together."""
    return sum((part.duration for part in parts), timedelta(0))
