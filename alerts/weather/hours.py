"""The hours of one forecast: columns, from a feed's parser to the chance; a row is a view made on demand."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from datetime import datetime, timedelta
from typing import Any, overload

import numpy as np

from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.weather.skill import Floats
from alerts.weather.stretches import Parts, PartsCut


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


FIELDS = tuple(each.name for each in fields(HourlyWeather) if each.name not in {"starts", "ends"})
TOTAL = "cloud_total_pct"
LAYERS = ("cloud_low_pct", "cloud_mid_pct", "cloud_high_pct")
ALL = slice(None)


class Hours(Sequence[HourlyWeather]):
    """Ascending hours that don't overlap, by column; gaps between them are unknown.

    columns: by field of `HourlyWeather`, one value an hour; one that is missing or None is unknown.
    joined: what `alerts.weather.worst_of` made of these hours and of others over the same time, by these.
    """

    __slots__ = ("_columns", "_times", "ends", "joined", "starts")

    def __init__(
        self,
        starts: Sequence[datetime],
        ends: Sequence[datetime],
        columns: Mapping[str, Sequence[Any] | None],
    ) -> None:
        self.starts, self.ends = starts, ends
        self._columns = {name: columns.get(name) for name in FIELDS}
        self._times: Parts | None = None
        self.joined: dict[tuple[int, ...], tuple[Sequence[Hours], dict[Any, Any]]] = {}

    @classmethod
    def of(cls, rows: Iterable[HourlyWeather]) -> Hours:
        rows = tuple(rows)
        told = {name: [getattr(row, name) for row in rows] for name in FIELDS}
        known = {name: column for name, column in told.items() if any(each is not None for each in column)}
        return cls([row.starts for row in rows], [row.ends for row in rows], known)

    def column(self, name: str, within: slice = ALL) -> Sequence[Any]:
        """The values of a field in some of the hours; None where it is unknown."""
        column = self._columns[name]
        return [None] * len(self.starts[within]) if column is None else column[within]

    def numbers(self, name: str, within: slice = ALL) -> Floats:
        """The same as numbers, NaN where it is unknown."""
        column = self._columns[name]
        if column is None:
            return np.full(len(self.starts[within]), np.nan)
        return np.array(column[within], dtype=np.float64)

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

    def cut(self, span: Span) -> PartsCut:
        """The hours that touch the span."""
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
