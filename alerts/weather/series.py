"""The hours of one forecast as a series that many spans are cut from."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeAlias

from alerts.span import Span
from alerts.weather.stretches import Parts, PartsCut

if TYPE_CHECKING:
    from alerts.weather.record import HourlyWeather

ValueOf: TypeAlias = "Callable[[HourlyWeather], Any]"
"""What is asked of each hour; None where it is unknown."""

_RECENT: deque[Parts] = deque(maxlen=8)
"""Times of the series made last: most forecasts have the same hours, and then share what is cut from them."""


def _times(hours: Sequence[HourlyWeather]) -> Parts:
    starts, ends = [hour.starts for hour in hours], [hour.ends for hour in hours]
    for known in tuple(_RECENT):
        if known.starts == starts and known.ends == ends:
            return known
    made = Parts(starts, ends)
    _RECENT.append(made)
    return made


class Series:
    """Ascending hours that don't overlap; gaps between them are unknown.

    times: theirs; one and the same object for series over the same hours, where these are made together.
    joined: what `alerts.weather.together` made of this series and others, by these others.
    """

    __slots__ = ("hours", "joined", "times")

    def __init__(self, hours: Sequence[HourlyWeather]) -> None:
        self.hours = hours
        self.times = _times(hours)
        self.joined: dict[tuple[Series, ...], dict[Any, Any]] = {}

    def cut(self, span: Span) -> Cut:
        """The hours that touch the span."""
        return Cut(self, self.times.cut(span))

    def index_at(self, at: datetime) -> int | None:
        """The hour that holds the moment; None in a gap."""
        starts = self.times.starts
        index = bisect_right(self.times.ends, at)
        return index if index < len(starts) and starts[index] <= at else None


class Cut:
    """The hours `first` to `after` (exclusive) of a series, which touch a span."""

    __slots__ = ("after", "first", "series", "times")

    def __init__(self, series: Series, times: PartsCut) -> None:
        self.series, self.times, self.first, self.after = series, times, times.first, times.after

    def __len__(self) -> int:
        return self.after - self.first

    @property
    def hours(self) -> Sequence[HourlyWeather]:
        return self.series.hours[self.first : self.after]

    @property
    def parts(self) -> Parts:
        """What each hour shares with the span."""
        return self.times.inside

    def values(self, value_of: ValueOf) -> list[Any]:
        """The value of each hour."""
        return list(map(value_of, self.hours))
