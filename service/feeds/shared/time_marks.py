"""From a feed's own time marks to the spans that records stand for.

Instant values (cloud, wind, temperature) stand for half a step to each side of their time, and never
for more, so that a hole in a series stays unknown. Period values (gust, precipitation, its chance)
belong to the hour or hours that the feed names; a record takes the highest chance or gust of the
periods that touch it, and each period's share by time of an amount.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta

from alerts.common.span import Span

HOUR = timedelta(hours=1)


def instant_spans(times: Sequence[datetime], steps: Sequence[timedelta]) -> list[Span]:
    """The span each instant stands for: half its own step ahead, half its predecessor's step back.

    times: strictly rising. steps: same length; the time from each instant to the next one due. Where
    the next comes sooner, the two meet halfway; where it comes later, the hole between stays open.
    The first instant reaches back as far as ahead.
    """
    ahead = [
        min(step, later - at) / 2
        for at, later, step in zip(times, [*times[1:], None], steps, strict=True)
        if later is not None
    ]
    ahead.append(steps[-1] / 2)
    back = [ahead[0]] + [
        min(half, (later - at) / 2) for half, at, later in zip(ahead, times, times[1:], strict=False)
    ]
    return [Span(at - before, at + after) for at, before, after in zip(times, back, ahead, strict=True)]


class Periods:
    """Values that belong to periods of time; unknown ones are left out.

    spans: ascending, not overlapping.
    """

    def __init__(self, entries: Iterable[tuple[Span, float | None]]) -> None:
        known = [(span, value) for span, value in entries if value is not None]
        self._spans = [span for span, _ in known]
        self._values = [value for _, value in known]
        self._ends = [span.end for span in self._spans]

    def highest(self, span: Span) -> float | None:
        """The highest value of the periods that touch `span`; None unless they cover all of it."""
        index = bisect_right(self._ends, span.start)
        if self._is_inside(span, index):
            return self._values[index]
        touching = list(self._touching(span))
        if not _cover(touching, span):
            return None
        return max(value for _, _, value in touching)

    def amount(self, span: Span) -> float | None:
        """Each period's total, shared out by time; None unless the periods cover all of `span`."""
        touching = list(self._touching(span))
        if not _cover(touching, span):
            return None
        return sum(value * (shared.duration / whole.duration) for shared, whole, value in touching)

    def _is_inside(self, span: Span, index: int) -> bool:
        """Whether that period holds the whole span, as most do."""
        if index >= len(self._spans):
            return False
        period = self._spans[index]
        return period.start <= span.start and span.end <= period.end

    def _touching(self, span: Span) -> Iterator[tuple[Span, Span, float]]:
        for index in range(bisect_right(self._ends, span.start), len(self._spans)):
            shared = self._spans[index].overlap(span)
            if shared is None:
                return
            yield shared, self._spans[index], self._values[index]


def _cover(touching: Sequence[tuple[Span, Span, float]], span: Span) -> bool:
    return sum((shared.duration for shared, _, _ in touching), timedelta()) == span.duration
