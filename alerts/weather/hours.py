"""The hours of one forecast as a series that many spans are cut from."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from operator import attrgetter
from typing import TYPE_CHECKING, Any, TypeAlias, overload

from alerts.common.span import Span
from alerts.weather.stretches import Parts, PartsCut

if TYPE_CHECKING:
    from alerts.weather.forecast import HourlyWeather

Made: TypeAlias = "Callable[..., HourlyWeather]"


class Hours(Sequence["HourlyWeather"]):
    """Hours kept by column: most judging reads a few columns and needs no record of an hour.

    starts, ends: ascending, not overlapping. columns: by field, one value an hour; None where it is unknown
    in all of them. make: the record of an hour from its start, its end, and the fields in their order.
    Equal to any sequence of the same records.
    """

    __slots__ = ("_all", "_columns", "_made", "_make", "ends", "starts")

    def __init__(
        self,
        starts: Sequence[datetime],
        ends: Sequence[datetime],
        columns: Mapping[str, Sequence[Any] | None],
        make: Made,
    ) -> None:
        self.starts, self.ends, self._columns, self._make = starts, ends, columns, make
        self._made: dict[int, HourlyWeather] = {}
        self._all: tuple[HourlyWeather, ...] | None = None

    def column(self, name: str, first: int, after: int) -> Sequence[Any]:
        """The values of a field in the hours `first` to `after` (exclusive)."""
        column = self._columns[name]
        return [None] * len(self.starts[first:after]) if column is None else column[first:after]

    def __len__(self) -> int:
        return len(self.starts)

    @overload
    def __getitem__(self, index: int) -> HourlyWeather: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[HourlyWeather, ...]: ...
    def __getitem__(self, index: int | slice) -> HourlyWeather | tuple[HourlyWeather, ...]:
        if self._all is not None:
            return self._all[index]
        places = range(len(self.starts))[index]
        return self._at(places) if isinstance(places, int) else tuple(map(self._at, places))

    def _at(self, place: int) -> HourlyWeather:
        made = self._made.get(place)
        if made is None:
            values = (None if column is None else column[place] for column in self._columns.values())
            made = self._made[place] = self._make(self.starts[place], self.ends[place], *values)
        return made

    def __iter__(self) -> Iterator[HourlyWeather]:
        if self._all is None:
            unknown = [None] * len(self.starts)
            columns = (unknown if column is None else column for column in self._columns.values())
            self._all = tuple(map(self._make, self.starts, self.ends, *columns))
            self._made.clear()
        return iter(self._all)

    def __eq__(self, other: object) -> bool:
        return tuple(self) == tuple(other) if isinstance(other, Sequence) else NotImplemented

    def __hash__(self) -> int:
        return hash(tuple(self))

    def __repr__(self) -> str:
        return repr(tuple(self))


_RECENT: deque[Parts] = deque(maxlen=8)
"""Times of the series made last: most forecasts have the same hours, and then share what is cut from them."""


def _times(hours: Sequence[HourlyWeather]) -> Parts:
    if isinstance(hours, Hours):
        starts, ends = list(hours.starts), list(hours.ends)
    else:
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
    joined: what `alerts.weather.worst_of` made of this series and others, by these others.
    """

    __slots__ = ("hours", "joined", "times")

    def __init__(self, hours: Sequence[HourlyWeather]) -> None:
        self.hours = hours
        self.times = _times(hours)
        self.joined: dict[tuple[Series, ...], dict[Any, Any]] = {}

    def cut(self, span: Span) -> Cut:
        """The hours that touch the span."""
        return Cut(self, self.times.cut(span))

    def column(self, name: str, first: int, after: int) -> Sequence[Any]:
        """The values of a field in the hours `first` to `after` (exclusive); None where it is unknown."""
        hours = self.hours
        if isinstance(hours, Hours):
            return hours.column(name, first, after)
        return list(map(attrgetter(name), hours[first:after]))

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

    def column(self, name: str) -> Sequence[Any]:
        """The value of a field in each hour."""
        return self.series.column(name, self.first, self.after)
