"""Forecasts over the same hours asked as one for the worst that any of them says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from operator import attrgetter
from typing import Any, NamedTuple

from alerts.span import Span
from alerts.weather.record import Forecast
from alerts.weather.series import Series, ValueOf
from alerts.weather.stretches import PartsCut

_UNKNOWN = type(None)
KNOWN_FROM_SHARE = 0.8
"""A value is known over a span when one source has it for this share of the time."""


class Found(NamedTuple):
    """The worst value of some sources, when the first hour that has it begins, and whether one source knows
    it for most of the span; None where nobody says anything."""

    value: Any
    since: datetime | None
    known: bool


NOTHING = Found(None, None, False)


@dataclass(frozen=True, slots=True)
class _Joined:
    """One value of several series, hour by hour.

    worst: the worst of them all; None in hours that one of them doesn't know. columns: what each says.
    """

    worst: list[Any]
    columns: list[list[Any]]
    has_gaps: bool


class Together:
    """Some series over the same hours."""

    __slots__ = ("_joined", "series", "times")

    def __init__(self, series: Sequence[Series]) -> None:
        first, *others = series
        self.series, self.times = series, first.times
        self._joined: dict[tuple[ValueOf, bool], _Joined | None] = first.joined.setdefault(tuple(others), {})

    def worst(self, cut: PartsCut, value_of: ValueOf, must: Span, *, least: bool, covers: bool) -> Found:
        """The highest value in those hours, or the least. covers: they cover enough of `must`."""
        key = value_of, least
        if key not in self._joined:
            self._joined[key] = _join([series.column(value_of) for series in self.series], least=least)
        joined = self._joined[key]
        values = joined.worst[cut.first : cut.after] if joined else []
        if joined is None or (joined.has_gaps and None in values):
            return worst_of_each(self.series, cut, value_of, must, least=least, covers=covers)
        if not values:
            return NOTHING
        worst = min(values) if least else max(values)
        since = self.times.starts[cut.first + values.index(worst)]
        return Found(worst or _as_said(worst, joined.columns, cut), since, covers)


def _join(columns: Sequence[list[Any]], *, least: bool) -> _Joined | None:
    """Those of them that say anything; None where values of different types might be equal and yet not be
    written alike."""
    types = [set(map(type, column)) for column in columns]
    told = set[type]().union(*types) - {_UNKNOWN}
    if len(told) > 1:
        return None
    telling = [column for column, mine in zip(columns, types, strict=True) if mine & told]
    has_gaps = any(_UNKNOWN in mine for mine in types if mine & told)
    pick = min if least else max
    if len(telling) < 2:
        worst = telling[0] if telling else []
    elif has_gaps:
        worst = [None if None in hour else pick(hour) for hour in zip(*telling, strict=True)]
    else:
        worst = list(map(pick, *telling))
    return _Joined(worst, telling, has_gaps)


def _as_said(zero: Any, columns: Sequence[list[Any]], cut: PartsCut) -> Any:
    """The zero as the first of the sources says it, for there are two of them."""
    said = (column[cut.first : cut.after] for column in columns)
    return next(values[values.index(zero)] for values in said if zero in values)


def worst_of_each(
    all_series: Sequence[Series], cut: PartsCut, value_of: ValueOf, must: Span, *, least: bool, covers: bool
) -> Found:
    """As `Together.worst`, from each series by itself, whatever it knows."""
    worst, since, known = None, None, False
    for series in all_series:
        values = series.column(value_of)[cut.first : cut.after]
        has_gaps = None in values
        there = [value for value in values if value is not None] if has_gaps else values
        if not there:
            continue
        mine = min(there) if least else max(there)
        begins = series.times.starts[cut.first + values.index(mine)]
        if worst is None or (mine < worst if least else mine > worst):
            worst, since = mine, begins
        elif mine == worst and since is not None:
            since = min(since, begins)
        known = known or (covers and (not has_gaps or _is_known(cut, values, must)))
    return Found(worst, since, known)


def _is_known(cut: PartsCut, values: Sequence[object], must: Span) -> bool:
    return cut.time_inside(must, values) >= KNOWN_FROM_SHARE * must.duration


def together(forecasts: Sequence[Forecast]) -> tuple[Together, ...]:
    """Forecasts that follow each other and have the same hours as one, in their order."""
    runs = groupby((forecast.series for forecast in forecasts), key=attrgetter("times"))
    return tuple(Together(tuple(run)) for _, run in runs)
