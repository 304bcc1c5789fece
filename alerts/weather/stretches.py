"""Time in parts, as a forecast's stepwise values have it, stretches of a wished length inside it, and the
worst cloud of each: for each member the event over arrays."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import ArrayLike

from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.weather.skill import Floats

ALL_CLOUD_PCT = 100.0


@value(frozen=True, slots=True)
class Stretch:
    """Gap-free time from `start` on; the parts `first` to `after` (exclusive) cover it."""

    start: datetime
    first: int
    after: int


class Parts:
    """Ascending parts that don't overlap; time between them is unknown. is_whole: there is none between."""

    __slots__ = ("_last_cut", "_lengths_h", "_stretches", "ends", "is_whole", "starts")

    def __init__(self, starts: Sequence[datetime], ends: Sequence[datetime]) -> None:
        self.starts, self.ends = list(starts), list(ends)
        self.is_whole = self.ends[:-1] == self.starts[1:]
        self._last_cut: PartsCut | None = None
        self._lengths_h: list[float] = []
        self._stretches: dict[timedelta, tuple[Stretch, ...]] = {}

    def __len__(self) -> int:
        return len(self.starts)

    def __iter__(self) -> Iterator[Span]:
        return map(Span, self.starts, self.ends)

    @property
    def total(self) -> timedelta:
        """How much time the parts cover together."""
        if self.is_whole:
            return self.ends[-1] - self.starts[0] if self.starts else timedelta(0)
        return sum((end - start for start, end in zip(self.starts, self.ends, strict=True)), timedelta(0))

    @property
    def lengths_h(self) -> Sequence[float]:
        """How long each is, in hours."""
        if not self._lengths_h:
            both = zip(self.starts, self.ends, strict=True)
            self._lengths_h = [(end - start) / timedelta(hours=1) for start, end in both]
        return self._lengths_h

    def only(self, chosen: Sequence[bool]) -> Parts:
        """The chosen ones of them."""
        kept = [at for at, is_chosen in enumerate(chosen) if is_chosen]
        return Parts([self.starts[at] for at in kept], [self.ends[at] for at in kept])

    def cut(self, span: Span) -> PartsCut:
        """The parts that touch the span. The last cut is kept, as many forecasts over the same hours are
        asked about one span after each other."""
        cut = self._last_cut
        if cut is None or cut.span is not span:
            first = bisect_right(self.ends, span.start)
            after = max(first, bisect_left(self.starts, span.end))
            cut = self._last_cut = PartsCut(self, span, first, after)
        return cut

    def stretch_at(self, start: datetime, length: timedelta) -> Stretch | None:
        """The parts that cover [start, start + length); None when some of that time lies in none."""
        starts, ends, end = self.starts, self.ends, start + length
        first, after = bisect_right(ends, start), bisect_left(starts, end)
        if first >= after or starts[first] > start or ends[after - 1] < end:
            return None
        if not self.is_whole and ends[first : after - 1] != starts[first + 1 : after]:
            return None
        return Stretch(start, first, after)

    def stretches(self, length: timedelta) -> tuple[Stretch, ...]:
        """One stretch for each start that is worth trying, ascending.

        Values are constant within a part, so what a moving stretch touches changes only where it begins
        with a part or ends with one.
        """
        found = self._stretches.get(length)
        if found is None:
            tried = sorted({*self.starts, *(end - length for end in self.ends)})
            stretches = (self.stretch_at(start, length) for start in tried)
            found = self._stretches[length] = tuple(each for each in stretches if each is not None)
        return found


class PartsCut:
    """The parts `first` to `after` (exclusive), which touch a span."""

    __slots__ = ("_ends", "_inside", "_is_whole", "_starts", "after", "first", "span")

    def __init__(self, parts: Parts, span: Span, first: int, after: int) -> None:
        self._starts, self._ends, self._is_whole = parts.starts, parts.ends, parts.is_whole
        self.span, self.first, self.after = span, first, after
        self._inside: Parts | None = None

    def __len__(self) -> int:
        return self.after - self.first

    @property
    def within(self) -> slice:
        """Which of the parts these are."""
        return slice(self.first, self.after)

    @property
    def starts(self) -> Sequence[datetime]:
        """When the whole parts begin."""
        return self._starts[self.first : self.after]

    @property
    def inside(self) -> Parts:
        """What each part shares with the span."""
        if self._inside is None:
            starts, ends = self._starts[self.first : self.after], self._ends[self.first : self.after]
            if starts:
                starts[0], ends[-1] = max(starts[0], self.span.start), min(ends[-1], self.span.end)
            self._inside = Parts(starts, ends)
        return self._inside

    def time_inside(self, span: Span, values: Sequence[object] | None = None) -> timedelta:
        """How much of a span lies in these parts; given their values, in those that are known."""
        if values is None and self._is_whole and self.first < self.after:
            return self._shared(self.first, self.after - 1, span)
        return sum(
            (
                self._shared(at, at, span)
                for at in range(self.first, self.after)
                if values is None or values[at - self.first] is not None
            ),
            timedelta(0),
        )

    def _shared(self, first: int, last: int, span: Span) -> timedelta:
        start = max(self._starts[first], self.span.start, span.start)
        end = min(self._ends[last], self.span.end, span.end)
        return max(end - start, timedelta(0))


@value(frozen=True, slots=True)
class Clouds:
    """A source's cloud in the parts of a span, and what its stretches of one length come to.

    cloud_pct: shape (members, parts), nothing unknown; worst_pct: shape (members, stretches); least_pct:
    shape (members,), 100 where no stretch is that long.
    """

    parts: Parts
    length: timedelta
    cloud_pct: Floats
    stretches: tuple[Stretch, ...]
    worst_pct: Floats
    least_pct: Floats

    @classmethod
    def of(cls, parts: Parts, cloud_pct: ArrayLike | Sequence[Sequence[float]], length: timedelta) -> Clouds:
        clouds = np.asarray(cloud_pct, dtype=np.float64)
        stretches = parts.stretches(length)
        if not stretches:
            least = np.full(len(clouds), ALL_CLOUD_PCT)
            return cls(parts, length, clouds, (), np.empty((len(clouds), 0)), least)
        edges = np.array([edge for stretch in stretches for edge in (stretch.first, stretch.after)])
        edged = clouds
        if edges.max() >= len(parts):  # an edge may stand just behind the last part
            edged = np.concatenate([clouds, np.zeros((len(clouds), 1))], axis=-1)
        worst: Floats = np.maximum.reduceat(edged, edges, axis=-1)[:, ::2]
        return cls(parts, length, clouds, stretches, worst, worst.min(axis=-1))

    @property
    def clearest_stretch(self) -> Stretch | None:
        """The one with the least worst cloud over the members, the earliest of equals."""
        if not self.stretches:
            return None
        worst = self.worst_pct[0] if len(self.worst_pct) == 1 else self.worst_pct.mean(axis=0)
        return self.stretches[int(worst.argmin())]

    def worst_from(self, starts: Sequence[datetime]) -> Floats:
        """The worst cloud of the stretches that begin at these moments, 100 where one has a gap: (members,
        starts)."""
        known = {stretch.start: at for at, stretch in enumerate(self.stretches)}
        if len(known) == len(starts) and all(start in known for start in starts):
            return self.worst_pct
        worst = np.full((len(self.cloud_pct), len(starts)), ALL_CLOUD_PCT)
        for at, start in enumerate(starts):
            if start in known:
                worst[:, at] = self.worst_pct[:, known[start]]
            elif stretch := self.parts.stretch_at(start, self.length):
                worst[:, at] = self.cloud_pct[:, stretch.first : stretch.after].max(axis=-1)
        return worst
