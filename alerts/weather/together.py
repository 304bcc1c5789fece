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
OFTEN = 2
"""Forecasts asked about more spans than these will be asked about many: the nights and trips of a cycle."""


class Found(NamedTuple):
    """The worst value of some sources, when the first hour that has it begins, and whether one source knows
    it for most of the span; None where nobody says anything."""

    value: Any
    since: datetime | None
    known: bool


NOTHING = Found(None, None, False)


@dataclass(frozen=True, slots=True)
class _Joined:
    """One value of several series in the hours `first` to `after` (exclusive).

    columns: of those that say anything. worst: the worst of them, None in hours that one of them doesn't
    know; () where values of different types might be equal and yet not be written alike. widened: how often.
    """

    first: int
    after: int
    columns: list[list[Any]]
    worst: Sequence[Any]
    has_gaps: bool
    widened: int

    def has(self, cut: PartsCut) -> bool:
        return self.first <= cut.first and cut.after <= self.after


class Together:
    """Some series over the same hours."""

    __slots__ = ("_joined", "series", "times")

    def __init__(self, series: Sequence[Series]) -> None:
        first, *others = series
        self.series, self.times = series, first.times
        self._joined: dict[tuple[ValueOf, bool], _Joined] = first.joined.setdefault(tuple(others), {})

    def worst(self, cut: PartsCut, value_of: ValueOf, must: Span, *, least: bool, covers: bool) -> Found:
        """The highest value in those hours, or the least. covers: they cover enough of `must`.

        value_of: a function that lives as long as its module; what it says is kept.
        """
        key = value_of, least
        joined = self._joined.get(key)
        if joined is None or not joined.has(cut):
            joined = self._joined[key] = self._join(cut, value_of, joined, least=least)
        if not joined.columns or cut.first == cut.after:
            return NOTHING
        at, after = cut.first - joined.first, cut.after - joined.first
        values = joined.worst[at:after]
        if not values or (joined.has_gaps and None in values):
            told = [column[at:after] for column in joined.columns]
            return worst_of_each(told, cut, must, least=least, covers=covers)
        worst = min(values) if least else max(values)
        since = self.times.starts[cut.first + values.index(worst)]
        return Found(worst or _as_said(worst, joined.columns, at, after), since, covers)

    def _join(self, cut: PartsCut, value_of: ValueOf, before: _Joined | None, *, least: bool) -> _Joined:
        """Over the hours asked about and those of before; over all of them once these were widened often."""
        first, after, widened = cut.first, cut.after, 0
        if before is not None:
            first, after, widened = min(first, before.first), max(after, before.after), before.widened + 1
        if widened >= OFTEN:
            first, after = 0, len(self.times)
        columns = [list(map(value_of, series.hours[first:after])) for series in self.series]
        types = [set(map(type, column)) for column in columns]
        told = set[type]().union(*types) - {_UNKNOWN}
        telling = [column for column, mine in zip(columns, types, strict=True) if mine & told]
        has_gaps = any(_UNKNOWN in mine for mine in types if mine & told)
        worst = _worst_of_hours(telling, has_gaps=has_gaps, least=least) if len(told) == 1 else ()
        return _Joined(first, after, telling, worst, has_gaps, widened)


def _worst_of_hours(columns: Sequence[list[Any]], *, has_gaps: bool, least: bool) -> list[Any]:
    pick = min if least else max
    if len(columns) == 1:
        return columns[0]
    if has_gaps:
        return [None if None in hour else pick(hour) for hour in zip(*columns, strict=True)]
    return list(map(pick, *columns))


def _as_said(zero: Any, columns: Sequence[list[Any]], first: int, after: int) -> Any:
    """The zero as the first of the sources says it, for there are two of them."""
    said = (column[first:after] for column in columns)
    return next(values[values.index(zero)] for values in said if zero in values)


def worst_of_each(
    told: Sequence[list[Any]], cut: PartsCut, must: Span, *, least: bool, covers: bool
) -> Found:
    """As `Together.worst`, from what each of the series says of those hours, whatever it knows."""
    worst, since, known = None, None, False
    for values in told:
        has_gaps = None in values
        there = [value for value in values if value is not None] if has_gaps else values
        if not there:
            continue
        mine = min(there) if least else max(there)
        begins = cut.starts[values.index(mine)]
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
