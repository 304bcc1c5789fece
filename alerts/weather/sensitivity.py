"""What a night hangs on: the one thing and hour whose change would flip it.

Each hour's low, mid, high or whole cloud is cleared in all sources at once (or, on a night that is good, made
overcast) and the night looked at again. Of the changes that flip it the smallest is told; without one, the
one that moves the chance most.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import fmean
from typing import Any

from alerts.common.span import Span
from alerts.weather.clouds import effective_cloud_pct, joint_cover_pct
from alerts.weather.forecast import Forecast, HourlyWeather, Sight
from alerts.weather.outlook import Hazard, HazardLevel, Outlook

HOUR = timedelta(hours=1)
Look = Callable[[Sequence[Forecast]], Outlook]

_LAYERS = {"low cloud": "cloud_low_pct", "mid cloud": "cloud_mid_pct", "high cloud": "cloud_high_pct"}
CLOUD = "cloud"


@dataclass(frozen=True, slots=True)
class Hinge:
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


def hangs_on(
    outlook: Outlook, forecasts: Sequence[Forecast], look: Look, *, go_pct: int, failing: Sequence[str]
) -> Hinge | None:
    """The hinge of a window's outlook; None when nothing is known, or nothing moves it.

    look: the outlook that other forecasts would give. go_pct: the chance from which the night is good.
    failing: hazards that fail as forecast, against the person's wishes too.
    """
    if outlook.chance_pct is None:
        return None
    is_clear = outlook.chance_pct >= go_pct
    if failing:
        return _hazard(outlook, failing, is_clear)
    tried = list(_tried(outlook, forecasts, look, clear=not is_clear))
    flipping = [each for each in tried if (each.chance_pct >= go_pct) != is_clear]
    if flipping:
        return _hinge(min(flipping, key=lambda each: each.effort), outlook, is_good=is_clear, flips=True)
    moved = max(tried, key=lambda each: abs(each.chance_pct - (outlook.chance_pct or 0)), default=None)
    if moved is None or moved.chance_pct == outlook.chance_pct:
        return None
    return _hinge(moved, outlook, is_good=is_clear, flips=False)


def _hazard(outlook: Outlook, failing: Sequence[str], is_clear: bool) -> Hinge | None:
    """The one that fails: without it the night would be good, if the sky is and nothing else fails."""
    hazard = outlook.hazard(failing[0])
    if hazard is None:
        return None
    hour = Span(_whole(hazard.at), _whole(hazard.at) + HOUR) if hazard.at else None
    flips = is_clear and len(failing) == 1
    return Hinge(hazard.name, hour, False, flips, outlook.chance_pct, outlook.chance_pct, hazard)


def failing_hazards(
    outlook: Outlook, *, wind_limit_ms: float, gust_limit_ms: float, coldest_c: float | None
) -> tuple[str, ...]:
    """Names of the hazards that fail by themselves or by these limits."""
    highest = {"wind": wind_limit_ms, "gust": gust_limit_ms}
    found = []
    for hazard in outlook.hazards:
        worst = hazard.worst
        beyond = worst is not None and hazard.name in highest and worst > highest[hazard.name]
        too_cold = worst is not None and hazard.name == "cold" and coldest_c is not None and worst < coldest_c
        if hazard.level is HazardLevel.FAIL or beyond or too_cold:
            found.append(hazard.name)
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Tried:
    """One change, the chance that it gives, and how much cloud it moves, the mean over sources in %."""

    thing: str
    hour: Span
    chance_pct: int
    effort: float


def _hinge(tried: _Tried, outlook: Outlook, *, is_good: bool, flips: bool) -> Hinge:
    return Hinge(tried.thing, tried.hour, is_good, flips, outlook.chance_pct, tried.chance_pct)


def _tried(outlook: Outlook, forecasts: Sequence[Forecast], look: Look, *, clear: bool) -> Iterator[_Tried]:
    """Clearing takes one layer or all cloud away, its opposite makes the hour overcast."""
    for hour in _hours(outlook.window):
        for thing in (*_LAYERS, CLOUD) if clear else (CLOUD,):
            changed = [_changed(forecast, hour, thing, clear=clear) for forecast in forecasts]
            effort = _effort(forecasts, changed, hour)
            if effort > 0:
                chance_pct = look(changed).chance_pct
                if chance_pct is not None:
                    yield _Tried(thing, hour, chance_pct, effort)


def _hours(window: Span) -> list[Span]:
    first = _whole(window.start)
    count = -(-(window.end - first) // HOUR)
    return [Span(first + k * HOUR, first + (k + 1) * HOUR) for k in range(count)]


def _whole(at: datetime) -> datetime:
    return at.replace(minute=0, second=0, microsecond=0)


def _changed(forecast: Forecast, hour: Span, thing: str, *, clear: bool) -> Forecast:
    """The forecast with that hour's cloud changed, wherever a record shares time with it."""
    touched = [_touches(record, hour) for record in forecast.hours]
    if not any(touched):
        return forecast
    hours = tuple(
        _record(record, thing, clear=clear) if hit else record
        for record, hit in zip(forecast.hours, touched, strict=True)
    )
    members = forecast.members
    if thing == CLOUD:
        to = 0.0 if clear else 100.0
        members = tuple(
            tuple(to if hit else cloud for cloud, hit in zip(row, touched, strict=True)) for row in members
        )
    sights = tuple(_sight(sight, hour, thing, clear=clear) for sight in forecast.sights)
    return replace(forecast, hours=hours, members=members, sights=sights)


def _touches(record: HourlyWeather, hour: Span) -> bool:
    return record.starts < hour.end and hour.start < record.ends


def _sight(sight: Sight, hour: Span, thing: str, *, clear: bool) -> Sight:
    hours = tuple(
        _record(record, thing, clear=clear) if _touches(record, hour) else record for record in sight.hours
    )
    return replace(sight, hours=hours)


def _record(record: HourlyWeather, thing: str, *, clear: bool) -> HourlyWeather:
    """Without one layer the others cover at most their sum; a record without layers keeps its total."""
    if thing == CLOUD:
        to = 0.0 if clear else 100.0
        layers: dict[str, Any] = {
            field: None if getattr(record, field) is None else to for field in _LAYERS.values()
        }
        return replace(record, cloud_total_pct=to, **layers)
    layers = {field: getattr(record, field) for field in _LAYERS.values()}
    if any(value is None for value in layers.values()):
        return record
    layers[_LAYERS[thing]] = 0.0
    total = record.cloud_total_pct
    left = sum(value for value in layers.values() if value is not None)
    return replace(record, cloud_total_pct=None if total is None else min(total, left), **layers)


def _effort(before: Sequence[Forecast], after: Sequence[Forecast], hour: Span) -> float:
    moves = [
        abs(old - new)
        for one, other in zip(before, after, strict=True)
        for a, b in zip(_clouds(one, hour), _clouds(other, hour), strict=True)
        if (old := a) is not None and (new := b) is not None
    ]
    return fmean(moves) if moves else 0.0


def _clouds(forecast: Forecast, hour: Span) -> Iterator[float | None]:
    """The cloud of each record in that hour, and of what stands in the view; of ensembles each member's."""
    for index, record in enumerate(forecast.hours):
        if _touches(record, hour):
            if forecast.members:
                yield from (row[index] for row in forecast.members)
            else:
                yield effective_cloud_pct(record, forecast.layer_scheme)
    for sight in forecast.sights:
        for record in sight.hours:
            if _touches(record, hour):
                total = record.cloud_total_pct
                yield joint_cover_pct(record, sight.altitude_deg) if total is None else total
