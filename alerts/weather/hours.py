"""The hours of one forecast: columns, from a feed's parser to the chance, and the parts of time they are told
for; a row is a view made on demand."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from itertools import compress
from operator import attrgetter
from typing import Any, overload

import numpy as np
import numpy.typing as npt

from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.weather.skill import Floats

US = timedelta(microseconds=1)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@value(frozen=True, slots=True)
class HourlyWeather:
    """The weather of one valid time. None means unknown, never zero.

    starts, ends: the span of UTC time that the instant values stand for (an instant feed's value
    at 21:00 stands for 20:30..21:30, a stepped one's for its interval).
    precipitation, gust and thunder already belong to this span, whatever the feed's own convention:
    a chance or a gust is the highest of the periods that touch the span, an amount is each period's
    share by time, and both are None unless the periods cover the whole span.
    cloud_below_pct: cloud that lies wholly below the site; None unless cloud by height was asked for.
    aerosol_optical_depth: of the whole column at 550 nm, no unit. pm2_5_ug_m3, dust_ug_m3: at the ground.
    thunder_named, fog_named: the feed's own words or symbol for this time name it; None when the
    feed gave no words, False when it gave others.
    """

    starts: datetime
    ends: datetime
    cloud_total_pct: float | None = None
    cloud_low_pct: float | None = None
    cloud_mid_pct: float | None = None
    cloud_high_pct: float | None = None
    fog_pct: float | None = None
    visibility_m: float | None = None
    temperature_c: float | None = None
    dew_point_c: float | None = None
    relative_humidity_pct: float | None = None
    wind_ms: float | None = None
    gust_ms: float | None = None
    precipitation_probability_pct: float | None = None
    precipitation_mm: float | None = None
    thunder_probability_pct: float | None = None
    thunder_named: bool | None = None
    fog_named: bool | None = None
    aerosol_optical_depth: float | None = None
    pm2_5_ug_m3: float | None = None
    dust_ug_m3: float | None = None
    cloud_below_pct: float | None = None

    @property
    def step(self) -> timedelta:
        return self.ends - self.starts


class Parts:
    """Ascending parts of time that don't overlap; time between them is unknown.

    first: where they begin among those that they were cut from. is_whole: nothing is unknown between them.
    """

    __slots__ = ("_edges_us", "_last_cut", "_stretches", "ends", "first", "is_whole", "starts")

    def __init__(self, starts: Sequence[datetime], ends: Sequence[datetime], first: int = 0) -> None:
        self.starts, self.ends, self.first = list(starts), list(ends), first
        self.is_whole = self.ends[:-1] == self.starts[1:]
        self._edges_us: npt.NDArray[np.int64] | None = None
        self._last_cut: tuple[Span, Parts] | None = None
        self._stretches: dict[timedelta, dict[datetime, slice]] = {}

    def __len__(self) -> int:
        return len(self.starts)

    def __iter__(self) -> Iterator[Span]:
        return map(Span, self.starts, self.ends)

    @property
    def within(self) -> slice:
        """Which of those they are that they were cut from."""
        return slice(self.first, self.first + len(self.starts))

    @property
    def edges_us(self) -> npt.NDArray[np.int64]:
        """Starts and ends in Unix microseconds, shape (2, parts)."""
        if self._edges_us is None:
            edges = [[(at - EPOCH) // US for at in each] for each in (self.starts, self.ends)]
            self._edges_us = np.array(edges, dtype=np.int64)
        return self._edges_us

    @property
    def total(self) -> timedelta:
        """How much time the parts cover together."""
        if self.is_whole:
            return self.ends[-1] - self.starts[0] if self.starts else timedelta(0)
        return sum((end - start for start, end in zip(self.starts, self.ends, strict=True)), timedelta(0))

    @property
    def lengths_h(self) -> Floats:
        """How long each is, in hours."""
        starts_us, ends_us = self.edges_us
        lengths_h: Floats = (ends_us - starts_us) / 3.6e9
        return lengths_h

    def only(self, chosen: Sequence[bool] | npt.NDArray[np.bool_]) -> Parts:
        """The chosen ones of them."""
        return Parts(list(compress(self.starts, chosen)), list(compress(self.ends, chosen)))

    def cut(self, span: Span) -> Parts:
        """What each part that touches the span shares with it. The last cut is kept, as many forecasts over
        the same hours are asked about one span after each other."""
        if self._last_cut is not None and self._last_cut[0] is span:
            return self._last_cut[1]
        first = bisect_right(self.ends, span.start)
        after = max(first, bisect_left(self.starts, span.end))
        starts, ends = self.starts[first:after], self.ends[first:after]
        if starts:
            starts[0], ends[-1] = max(starts[0], span.start), min(ends[-1], span.end)
        cut = Parts(starts, ends, first)
        self._last_cut = span, cut
        return cut

    def shared_us(self, span: Span) -> npt.NDArray[np.int64]:
        """How much of a span lies in each part, in microseconds."""
        starts_us, ends_us = self.edges_us
        start_us, end_us = (span.start - EPOCH) // US, (span.end - EPOCH) // US
        inside: npt.NDArray[np.int64] = np.minimum(ends_us, end_us) - np.maximum(starts_us, start_us)
        return np.maximum(inside, 0)

    def stretch_at(self, start: datetime, length: timedelta) -> slice | None:
        """The parts that cover [start, start + length); None when some of that time lies in none."""
        starts, ends, end = self.starts, self.ends, start + length
        first, after = bisect_right(ends, start), bisect_left(starts, end)
        if first >= after or starts[first] > start or ends[after - 1] < end:
            return None
        if not self.is_whole and ends[first : after - 1] != starts[first + 1 : after]:
            return None
        return slice(first, after)

    def stretches(self, length: timedelta) -> Mapping[datetime, slice]:
        """The parts that cover a stretch of that length by its start, for each one that is worth trying,
        ascending.

        Values are constant within a part, so what a moving stretch touches changes only where it begins
        with a part or ends with one.
        """
        found = self._stretches.get(length)
        if found is None:
            tried = sorted({*self.starts, *(end - length for end in self.ends)})
            within = ((start, self.stretch_at(start, length)) for start in tried)
            found = self._stretches[length] = {start: each for start, each in within if each is not None}
        return found


FIELDS = tuple(each.name for each in fields(HourlyWeather) if each.name not in {"starts", "ends"})
TOTAL = "cloud_total_pct"
LAYERS = ("cloud_low_pct", "cloud_mid_pct", "cloud_high_pct")
ALL = slice(None)


class Hours(Sequence[HourlyWeather]):
    """Ascending hours that don't overlap, by column; gaps between them are unknown.

    columns: by field of `HourlyWeather`, one value an hour; one that is missing or None is unknown.
    hazards: what `alerts.weather.hazards` made of them, once it was asked.
    """

    __slots__ = ("_columns", "_numbers", "_times", "ends", "hazards", "starts")

    def __init__(
        self,
        starts: Sequence[datetime],
        ends: Sequence[datetime],
        columns: Mapping[str, Sequence[Any] | None],
    ) -> None:
        self.starts, self.ends = starts, ends
        self._columns = {name: columns.get(name) for name in FIELDS}
        self._times: Parts | None = None
        self._numbers: dict[str, Floats] = {}
        self.hazards: Floats | None = None

    @classmethod
    def of(cls, rows: Iterable[HourlyWeather]) -> Hours:
        rows = tuple(rows)
        told = zip(FIELDS, map(list, zip(*map(attrgetter(*FIELDS), rows), strict=True)), strict=False)
        known = {name: column for name, column in told if any(each is not None for each in column)}
        return cls([row.starts for row in rows], [row.ends for row in rows], known)

    def column(self, name: str, within: slice = ALL) -> Sequence[Any]:
        """The values of a field in some of the hours; None where it is unknown."""
        column = self._columns[name]
        return [None] * len(self.starts[within]) if column is None else column[within]

    def numbers(self, name: str, within: slice = ALL) -> Floats:
        """The same as numbers, NaN where it is unknown; nobody may change them."""
        numbers = self._numbers.get(name)
        if numbers is None:
            column = self._columns[name]
            unknown = np.full(len(self.starts), np.nan)
            numbers = unknown if column is None else np.array(column, dtype=np.float64)
            self._numbers[name] = numbers
        return numbers[within]

    def known_columns(self) -> dict[str, Sequence[Any]]:
        """Those that hold a value."""
        columns = ((name, column) for name, column in self._columns.items() if column is not None)
        return {name: column for name, column in columns if any(each is not None for each in column)}

    def changed(self, columns: Mapping[str, Sequence[Any] | None]) -> Hours:
        """The same hours with other values of some fields."""
        hours = Hours(self.starts, self.ends, {**self._columns, **columns})
        hours._times = self._times
        return hours

    @property
    def times(self) -> Parts:
        """When they are; one and the same object for forecasts over the same hours that are read together."""
        if self._times is None:
            starts, ends = list(self.starts), list(self.ends)
            alike = (each for each in tuple(_RECENT) if each.starts == starts and each.ends == ends)
            self._times = next(alike, None)
            if self._times is None:
                self._times = Parts(starts, ends)
                _RECENT.append(self._times)
        return self._times

    def cut(self, span: Span) -> Parts:
        """What the hours that touch the span share with it."""
        return self.times.cut(span)

    def index_at(self, at: datetime) -> int | None:
        """The hour that holds the moment; None in a gap."""
        index = bisect_right(self.ends, at)
        return index if index < len(self.starts) and self.starts[index] <= at else None

    def at(self, at: datetime) -> HourlyWeather | None:
        """The row of the hour that holds the moment; None in a gap."""
        index = self.index_at(at)
        return None if index is None else self[index]

    def __len__(self) -> int:
        return len(self.starts)

    @overload
    def __getitem__(self, index: int) -> HourlyWeather: ...
    @overload
    def __getitem__(self, index: slice) -> Hours: ...
    def __getitem__(self, index: int | slice) -> HourlyWeather | Hours:
        columns = self._columns
        if isinstance(index, slice):
            kept = {name: None if column is None else column[index] for name, column in columns.items()}
            return Hours(self.starts[index], self.ends[index], kept)
        values = (None if column is None else column[index] for column in columns.values())
        return HourlyWeather(self.starts[index], self.ends[index], *values)

    def __iter__(self) -> Iterator[HourlyWeather]:
        return map(HourlyWeather, self.starts, self.ends, *map(self.column, FIELDS))

    def __eq__(self, other: object) -> bool:
        return tuple(self) == tuple(other) if isinstance(other, Hours) else NotImplemented

    def __hash__(self) -> int:
        return hash((*self.starts, *self.ends))

    def __repr__(self) -> str:
        return repr(tuple(self))

    def __reduce__(self) -> tuple[Any, ...]:
        return Hours, (self.starts, self.ends, self._columns)


_RECENT: deque[Parts] = deque(maxlen=8)
"""Times of the hours asked about last: most forecasts have the same, and then share what is cut from them."""
