"""Forecasts over the same hours asked as one for the worst that any of them says."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
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
class HazardQuery:
    """What is asked of each hour: made once in a module, as what is found is kept by it.

    least: whether the least value is the worst one.
    """

    column: ColumnOf
    least: bool = False

    @classmethod
    def of_field(cls, name: str, *, least: bool = False) -> HazardQuery:
        """A field as it is."""
        return cls(lambda hours, within: hours.column(name, within), least)

    @classmethod
    def made_by(cls, rule: Callable[..., Any], *names: str, least: bool = False) -> HazardQuery:
        """What a rule makes of some fields of the hour."""
        return cls(
            lambda hours, within: list(map(rule, *(hours.column(name, within) for name in names))), least
        )


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
class HazardSpan:
    """A span and what the sources have of it. must: the part of it for which a value must be known.

    sources: those over the same hours together, each with its hours that touch the span and whether these
    cover enough of `must`. found: the worst values so far, as several outlooks share a span.
    """

    span: Span
    must: Span
    sources: tuple[tuple[AlignedHours, PartsCut, bool], ...]
    found: dict[HazardQuery, Worst] = field(default_factory=dict)

    @classmethod
    def of(cls, span: Span, must: Span, sources: Sequence[AlignedHours]) -> HazardSpan:
        cuts = [(each, each.times.cut(span)) for each in sources]
        needed = KNOWN_FROM_SHARE * must.duration
        return cls(span, must, tuple((each, cut, cut.time_inside(must) >= needed) for each, cut in cuts))

    def worst(self, query: HazardQuery) -> Worst:
        """The worst value of all sources."""
        found = self.found.get(query)
        if found is None:
            found = NOTHING
            for hours, cut, covers in self.sources:
                found = worse_of(found, hours.worst(query, cut, self.must, covers=covers), query)
            self.found[query] = found
        return found


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


class AlignedHours:
    """Some forecasts' values over the same hours."""

    __slots__ = ("_joined", "members", "times")

    def __init__(self, members: Sequence[Hours]) -> None:
        first, *others = members
        self.members, self.times = members, first.times
        # by identity: as long as the others stand beside it, none of their numbers is given to another
        _, self._joined = first.joined.setdefault(tuple(map(id, others)), (others, {}))

    def worst(self, query: HazardQuery, cut: PartsCut, must: Span, *, covers: bool) -> Worst:
        """The worst value in those hours. covers: they cover enough of `must`."""
        joined: _Joined | None = self._joined.get(query)
        if joined is None or not (joined.first <= cut.first and cut.after <= joined.after):
            joined = self._joined[query] = self._join(query, cut, joined)
        if not joined.columns or cut.first == cut.after:
            return NOTHING
        at, after = cut.first - joined.first, cut.after - joined.first
        values = joined.worst[at:after]
        if not values or (joined.has_gaps and None in values):
            told = [column[at:after] for column in joined.columns]
            return worst_of_each(told, query, cut, must, covers=covers)

        worst = min(values) if query.least else max(values)
        since = max(self.times.starts[cut.first + values.index(worst)], cut.span.start)
        if not worst:  # there are two zeros: as the first of the sources that has one says it
            said = (column[at:after] for column in joined.columns)
            worst = next(each[each.index(worst)] for each in said if worst in each)
        return Worst(worst, covers, since)

    def _join(self, query: HazardQuery, cut: PartsCut, before: _Joined | None) -> _Joined:
        """Over the hours asked about and those of before; over all of them once these were widened often."""
        first, after, widened = cut.first, cut.after, 0
        if before is not None:
            first, after, widened = min(first, before.first), max(after, before.after), before.widened + 1
        if widened >= OFTEN:
            first, after = 0, len(self.times)
        columns = [query.column(hours, slice(first, after)) for hours in self.members]
        types = [set(map(type, column)) for column in columns]
        told = set[type]().union(*types) - {_UNKNOWN}
        telling = [column for column, mine in zip(columns, types, strict=True) if mine & told]
        has_gaps = any(_UNKNOWN in mine for mine in types if mine & told)

        pick, worst = min if query.least else max, list[Any]()
        if len(told) != 1:
            pass  # nothing told, or a whole number beside another: each source is asked by itself
        elif len(telling) == 1:
            worst = list(telling[0])
        elif has_gaps:
            worst = [None if None in hour else pick(hour) for hour in zip(*telling, strict=True)]
        else:
            worst = list(map(pick, *telling))
        return _Joined(first, after, telling, worst, has_gaps, widened)


def worst_of_each(
    told: Sequence[Sequence[Any]], query: HazardQuery, cut: PartsCut, must: Span, *, covers: bool
) -> Worst:
    """As `AlignedHours.worst`, from what each of the forecasts says of those hours, whatever it knows."""
    found = NOTHING
    for values in told:
        has_gaps = None in values
        there = [value for value in values if value is not None] if has_gaps else values
        if there:
            worst = min(there) if query.least else max(there)
            since = max(cut.starts[values.index(worst)], cut.span.start)
            needed = KNOWN_FROM_SHARE * must.duration
            is_known = covers and (not has_gaps or cut.time_inside(must, values) >= needed)
            found = worse_of(found, Worst(worst, is_known, since), query)
    return found


def worse_of(found: Worst, other: Worst, query: HazardQuery) -> Worst:
    """The worse of both, the first of equals, beginning when the first of equals does; known when one is."""
    if found.at is None or other.at is None:
        return other if found.at is None else found
    known = found.known or other.known
    if other.value == found.value:
        return Worst(found.value, known, min(found.at, other.at))
    is_worse = other.value < found.value if query.least else other.value > found.value
    return Worst(other.value, known, other.at) if is_worse else Worst(found.value, known, found.at)


def aligned(forecasts: Sequence[Forecast]) -> tuple[AlignedHours, ...]:
    """Forecasts that follow each other and have the same hours as one, in their order."""
    runs = groupby((forecast.hours for forecast in forecasts), key=attrgetter("times"))
    return tuple(AlignedHours(tuple(run)) for _, run in runs)
