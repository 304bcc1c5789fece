"""Forecasts over the same hours asked as one for the worst that any of them says."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from operator import attrgetter
from typing import Any, NamedTuple, TypeAlias

from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.weather.forecast import Forecast
from alerts.weather.hours import Hours
from alerts.weather.stretches import PartsCut

_UNKNOWN = type(None)
KNOWN_FROM_SHARE = 0.8
"""A value is known over a span when one source has it for this share of the time."""
OFTEN = 2
"""Forecasts asked about more spans than these will be asked about many: the nights and trips of a cycle."""


ColumnOf: TypeAlias = Callable[[Hours, slice], Sequence[Any]]
"""What a forecast says of some of its hours; None where it is unknown."""


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """What is asked of each hour: made once in a module, as what is found is kept by it.

    least: whether the least value is the worst one.
    """

    column: ColumnOf
    least: bool = False


def field_of(name: str) -> ColumnOf:
    """A field as it is."""
    return lambda hours, within: hours.column(name, within)


def made_of(rule: Callable[..., Any], *names: str) -> ColumnOf:
    """What a rule makes of some fields of the hour."""
    return lambda hours, within: list(map(rule, *(hours.column(name, within) for name in names)))


class Worst(NamedTuple):
    """The worst value found and when it begins, and whether one source knows it for most of the span; None
    where nobody says anything."""

    value: Any
    known: bool
    at: datetime | None = None

    def at_least(self, limit: float) -> bool:
        return self.value is not None and self.value >= limit

    def at_most(self, limit: float) -> bool:
        return self.value is not None and self.value <= limit


NOTHING = Worst(None, False)


@value(frozen=True, slots=True)
class _Joined:
    """One value of several forecasts in the hours `first` to `after` (exclusive).

    columns: of those that say anything. worst: the worst of them, None in hours that one of them doesn't
    know; () where values of different types might be equal and yet not be written alike. widened: how often.
    """

    first: int
    after: int
    columns: list[Sequence[Any]]
    worst: Sequence[Any]
    has_gaps: bool
    widened: int

    def has(self, cut: PartsCut) -> bool:
        return self.first <= cut.first and cut.after <= self.after


class Together:
    """Some forecasts' values over the same hours."""

    __slots__ = ("_joined", "members", "times")

    def __init__(self, members: Sequence[Hours]) -> None:
        first, *others = members
        self.members, self.times = members, first.times
        # by identity: as long as the others stand beside it, none of their numbers is given to another
        _, self._joined = first.joined.setdefault(tuple(map(id, others)), (others, {}))

    def worst(self, asked: Asked, cut: PartsCut, must: Span, *, covers: bool) -> Worst:
        """The worst value in those hours. covers: they cover enough of `must`."""
        joined = self._joined.get(asked)
        if joined is None or not joined.has(cut):
            joined = self._joined[asked] = self._join(asked, cut, joined)
        if not joined.columns or cut.first == cut.after:
            return NOTHING
        at, after = cut.first - joined.first, cut.after - joined.first
        values = joined.worst[at:after]
        if not values or (joined.has_gaps and None in values):
            told = [column[at:after] for column in joined.columns]
            return worst_of_each(told, asked, cut, must, covers=covers)
        worst = min(values) if asked.least else max(values)
        since = max(self.times.starts[cut.first + values.index(worst)], cut.span.start)
        return Worst(worst or _as_said(worst, joined.columns, at, after), covers, since)

    def _join(self, asked: Asked, cut: PartsCut, before: _Joined | None) -> _Joined:
        """Over the hours asked about and those of before; over all of them once these were widened often."""
        first, after, widened = cut.first, cut.after, 0
        if before is not None:
            first, after, widened = min(first, before.first), max(after, before.after), before.widened + 1
        if widened >= OFTEN:
            first, after = 0, len(self.times)
        columns = [asked.column(hours, slice(first, after)) for hours in self.members]
        types = [set(map(type, column)) for column in columns]
        told = set[type]().union(*types) - {_UNKNOWN}
        telling = [column for column, mine in zip(columns, types, strict=True) if mine & told]
        has_gaps = any(_UNKNOWN in mine for mine in types if mine & told)
        worst = _worst_of_hours(telling, asked, has_gaps=has_gaps) if len(told) == 1 else ()
        return _Joined(first, after, telling, worst, has_gaps, widened)


def _worst_of_hours(columns: Sequence[Sequence[Any]], asked: Asked, *, has_gaps: bool) -> Sequence[Any]:
    pick = min if asked.least else max
    if len(columns) == 1:
        return columns[0]
    if has_gaps:
        return [None if None in hour else pick(hour) for hour in zip(*columns, strict=True)]
    return list(map(pick, *columns))


def _as_said(zero: Any, columns: Sequence[Sequence[Any]], first: int, after: int) -> Any:
    """The zero as the first of the sources says it, for there are two of them."""
    said = (column[first:after] for column in columns)
    return next(values[values.index(zero)] for values in said if zero in values)


def worst_of_each(
    told: Sequence[Sequence[Any]], asked: Asked, cut: PartsCut, must: Span, *, covers: bool
) -> Worst:
    """As `Together.worst`, from what each of the forecasts says of those hours, whatever it knows."""
    found = NOTHING
    for values in told:
        has_gaps = None in values
        there = [value for value in values if value is not None] if has_gaps else values
        if there:
            worst = min(there) if asked.least else max(there)
            since = max(cut.starts[values.index(worst)], cut.span.start)
            is_known = covers and (not has_gaps or _is_known(cut, values, must))
            found = worse_of(found, Worst(worst, is_known, since), asked)
    return found


def worse_of(found: Worst, other: Worst, asked: Asked) -> Worst:
    """The worse of both, the first of equals, beginning when the first of equals does; known when one is."""
    if found.at is None or other.at is None:
        return other if found.at is None else found
    known = found.known or other.known
    if other.value == found.value:
        return Worst(found.value, known, min(found.at, other.at))
    is_worse = other.value < found.value if asked.least else other.value > found.value
    return Worst(other.value, known, other.at) if is_worse else Worst(found.value, known, found.at)


def _is_known(cut: PartsCut, values: Sequence[object], must: Span) -> bool:
    return cut.time_inside(must, values) >= KNOWN_FROM_SHARE * must.duration


def together(forecasts: Sequence[Forecast]) -> tuple[Together, ...]:
    """Forecasts that follow each other and have the same hours as one, in their order."""
    runs = groupby((forecast.hours for forecast in forecasts), key=attrgetter("times"))
    return tuple(Together(tuple(run)) for _, run in runs)
