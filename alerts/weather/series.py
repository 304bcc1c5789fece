"""The hours of one forecast as a series that many spans are cut from, each value worked out once."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, TypeAlias

from alerts.span import Span

if TYPE_CHECKING:
    from alerts.weather.record import HourlyWeather

ValueOf: TypeAlias = "Callable[[HourlyWeather], Any]"
"""What is asked of each hour; None where it is unknown."""


_UNASKED = object()


class Series:
    """Ascending hours that don't overlap; gaps between them are unknown."""

    __slots__ = ("_columns", "ends", "hours", "is_whole", "starts")

    def __init__(self, hours: Sequence[HourlyWeather]) -> None:
        self.hours = hours
        self.starts: list[datetime] = [hour.starts for hour in hours]
        self.ends: list[datetime] = [hour.ends for hour in hours]
        self.is_whole = all(end == start for end, start in zip(self.ends, self.starts[1:], strict=False))
        self._columns: dict[ValueOf, list[Any]] = {}

    def cut(self, span: Span) -> Cut:
        """The hours that touch the span."""
        first = bisect_right(self.ends, span.start)
        return Cut(self, span, first, max(first, bisect_left(self.starts, span.end)))

    def index_at(self, at: datetime) -> int | None:
        """The hour that holds the moment; None in a gap."""
        index = bisect_right(self.ends, at)
        return index if index < len(self.starts) and self.starts[index] <= at else None

    def values(self, value_of: ValueOf, first: int, after: int) -> list[Any]:
        """What a function says of some of the hours, each asked once. The function is the key too: one that
        lives as long as its module."""
        column = self._columns.get(value_of)
        if column is None:
            column = self._columns[value_of] = [_UNASKED] * len(self.hours)
        found = column[first:after]
        if _UNASKED in found:
            found = column[first:after] = [
                value_of(self.hours[first + place]) if value is _UNASKED else value
                for place, value in enumerate(found)
            ]
        return found


class Cut:
    """The hours `first` to `after` (exclusive) of a series, which touch a span."""

    __slots__ = ("after", "first", "series", "span")

    def __init__(self, series: Series, span: Span, first: int, after: int) -> None:
        self.series, self.span, self.first, self.after = series, span, first, after

    def __len__(self) -> int:
        return self.after - self.first

    @property
    def hours(self) -> Sequence[HourlyWeather]:
        return self.series.hours[self.first : self.after]

    @property
    def parts(self) -> Iterator[Span]:
        """What each hour shares with the span."""
        start, end = self.span.start, self.span.end
        for at in range(self.first, self.after):
            yield Span(max(self.series.starts[at], start), min(self.series.ends[at], end))

    def values(self, value_of: ValueOf) -> list[Any]:
        """The value of each hour."""
        return self.series.values(value_of, self.first, self.after)

    def time_inside(self, span: Span, values: Sequence[float | None] | None = None) -> timedelta:
        """How much of a span lies in these hours; given their values, in those that are known."""
        if values is None and self.series.is_whole and len(self):
            return self._shared(self.first, self.after - 1, span)
        return sum(
            (
                self._shared(self.first + i, self.first + i, span)
                for i in range(len(self))
                if values is None or values[i] is not None
            ),
            timedelta(0),
        )

    def _shared(self, first: int, last: int, span: Span) -> timedelta:
        start = max(self.series.starts[first], self.span.start, span.start)
        end = min(self.series.ends[last], self.span.end, span.end)
        return max(end - start, timedelta(0))
