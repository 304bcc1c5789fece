"""What a night hangs on: the one thing and hour whose change would flip it.

Each hour's low, mid, high or whole cloud is cleared in all sources at once (or, on a night that is good, made
overcast) and the night looked at again. Of the changes that flip it the smallest is told; without one, the
one that moves the chance most.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import isnan, nan
from statistics import fmean
from typing import Any

import numpy as np

from alerts.common.span import Span
from alerts.weather.clouds import cover_as_told, joint_cover_pct
from alerts.weather.forecast import Forecast
from alerts.weather.hours import LAYERS, TOTAL, Hours
from alerts.weather.outlook import Hazard, Outlook

HOUR = timedelta(hours=1)
Look = Callable[[Sequence[Forecast]], Outlook]

_LAYERS = dict(zip(("low cloud", "mid cloud", "high cloud"), LAYERS, strict=True))
CLOUD = "cloud"


@dataclass(frozen=True, slots=True)
class Pivot:
    """thing: low, mid, high cloud or cloud, or a hazard's name. hour: None where a hazard has no hour.

    is_good: whether the night is good as forecast. chance_pct: as forecast; otherwise_pct: with the change.
    flips: whether the change alone makes a good night bad, or a bad one good.
    """

    thing: str
    hour: Span | None
    is_good: bool
    flips: bool
    chance_pct: int | None
    otherwise_pct: int | None
    hazard: Hazard | None = None


def find_pivot(
    outlook: Outlook, forecasts: Sequence[Forecast], look: Look, *, go_pct: int, failing: Sequence[str]
) -> Pivot | None:
    """The pivot of a window's outlook; None when nothing is known, or nothing moves it.

    look: the outlook that other forecasts would give. go_pct: the chance from which the night is good.
    failing: hazards that fail as forecast, against the person's wishes too.
    """
    if outlook.chance_pct is None:
        return None
    is_clear = outlook.chance_pct >= go_pct
    if failing:  # without that one the night would be good, if the sky is and nothing else fails
        hazard = outlook.hazard(failing[0])
        if hazard is None:
            return None
        begins = _whole(hazard.at) if hazard.at else None
        hour = Span(begins, begins + HOUR) if begins else None
        flips = is_clear and len(failing) == 1
        return Pivot(hazard.name, hour, False, flips, outlook.chance_pct, outlook.chance_pct, hazard)
    tried = list(_tried(outlook, forecasts, look, clear=not is_clear))
    flipping = [each for each in tried if (each.chance_pct >= go_pct) != is_clear]
    if flipping:
        return _pivot(min(flipping, key=lambda each: each.effort), outlook, is_good=is_clear, flips=True)
    moved = max(tried, key=lambda each: abs(each.chance_pct - (outlook.chance_pct or 0)), default=None)
    if moved is None or moved.chance_pct == outlook.chance_pct:
        return None
    return _pivot(moved, outlook, is_good=is_clear, flips=False)


@dataclass(frozen=True, slots=True)
class _Tried:
    """One change, the chance that it gives, and how much cloud it moves, the mean over sources in %."""

    thing: str
    hour: Span
    chance_pct: int
    effort: float


def _pivot(tried: _Tried, outlook: Outlook, *, is_good: bool, flips: bool) -> Pivot:
    return Pivot(tried.thing, tried.hour, is_good, flips, outlook.chance_pct, tried.chance_pct)


def _tried(outlook: Outlook, forecasts: Sequence[Forecast], look: Look, *, clear: bool) -> Iterator[_Tried]:
    """Clearing takes one layer or all cloud away, its opposite makes the hour overcast."""
    start = _whole(outlook.window.start)
    while start < outlook.window.end:
        hour = Span(start, start + HOUR)
        for thing in (*_LAYERS, CLOUD) if clear else (CLOUD,):
            changed = [_changed(forecast, hour, thing, clear=clear) for forecast in forecasts]
            moves = [
                abs(old - new)
                for one, other in zip(forecasts, changed, strict=True)
                for old, new in zip(_clouds(one, hour), _clouds(other, hour), strict=True)
                if not isnan(old) and not isnan(new)
            ]
            effort = fmean(moves) if moves else 0.0
            if effort > 0 and (chance_pct := look(changed).chance_pct) is not None:
                yield _Tried(thing, hour, chance_pct, effort)
        start = hour.end


def _whole(at: datetime) -> datetime:
    return at.replace(minute=0, second=0, microsecond=0)


def _changed(forecast: Forecast, hour: Span, thing: str, *, clear: bool) -> Forecast:
    """The forecast with that hour's cloud changed, wherever one of its hours shares time with it."""
    within = forecast.hours.cut(hour).within
    if within.start == within.stop:
        return forecast
    members = forecast.members
    if thing == CLOUD:
        to = (0.0 if clear else 100.0,) * (within.stop - within.start)
        members = tuple((*row[: within.start], *to, *row[within.stop :]) for row in members)
    return replace(
        forecast,
        hours=_with_cloud(forecast.hours, hour, thing, clear=clear),
        members=members,
        sights=tuple(
            replace(sight, hours=_with_cloud(sight.hours, hour, thing, clear=clear))
            for sight in forecast.sights
        ),
    )


def _with_cloud(hours: Hours, hour: Span, thing: str, *, clear: bool) -> Hours:
    """Without one layer the others cover at most their sum; an hour without layers keeps its total."""
    totals = list(hours.column(TOTAL))
    layers = {field: list(hours.column(field)) for field in LAYERS}
    cut, to = hours.cut(hour), 0.0 if clear else 100.0
    for at in range(cut.first, cut.first + len(cut)):
        told: dict[str, Any] = {field: column[at] for field, column in layers.items()}
        if thing == CLOUD:
            totals[at] = to
            changed: dict[str, Any] = {f: None if cover is None else to for f, cover in told.items()}
        elif None in told.values():
            continue
        else:
            changed = told | {_LAYERS[thing]: 0.0}
            left = sum(changed.values())
            totals[at] = None if totals[at] is None else min(totals[at], left)
        for field, cover in changed.items():
            layers[field][at] = cover
    return hours.changed({TOTAL: totals, **layers})


def _clouds(forecast: Forecast, hour: Span) -> Iterator[float]:
    """The cloud of each record in that hour, and of what stands in the view; of ensembles each member's.
    NaN where it is unknown."""
    within = forecast.hours.cut(hour).within
    if forecast.members:
        for at in range(within.start, within.stop):
            yield from (nan if (cloud := row[at]) is None else cloud for row in forecast.members)
    else:
        yield from cover_as_told(forecast.hours, forecast.layer_scheme, within).plan_pct.tolist()
    for sight in forecast.sights:
        within = sight.hours.cut(hour).within
        total, *layers = (sight.hours.numbers(name, within) for name in (TOTAL, *LAYERS))
        joint = joint_cover_pct(layers, sight.altitude_deg)
        yield from np.where(np.isnan(total), joint, total).tolist()
