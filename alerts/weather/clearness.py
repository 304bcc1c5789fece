"""Forecasts over a dark window -> the chance that the event happens, with its sources and spread.

The event: at least the shortest wished time in one piece, inside the window, with the frame clear
enough (effective cloud of at most 30 %). Missing time is never clear, and never counted on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import fmean, median

from alerts.span import Span
from alerts.weather import hazards
from alerts.weather.lineage import independent_lineages
from alerts.weather.outlook import HazardLevel, Outlook, SourceChance
from alerts.weather.record import Forecast, HourlyWeather, LayerScheme, Source
from alerts.weather.skill import BASE_RATE, CLEAR_LIMIT_PCT, chance_of_forecast, chance_of_members
from alerts.weather.stretches import Stretch, all_stretches, starts_to_try, stretch_at, total

THIN_CLOUD_WEIGHT = 0.6
"""How much of high cloud with nothing below it counts: cirrus dims stars, it rarely hides them."""

MOST_UNKNOWN_SHARE = 0.2
"""A source with more of the window unknown than this can't say."""

OLDEST_RUN = timedelta(hours=12)
OLDEST_RUN_ON_THE_DAY = timedelta(hours=6)
SAYS_CLEAR_FROM = 0.5
"""A source whose own chance reaches this is counted as saying "clear"."""
ALL_CLOUD_PCT = 100.0
SHORTEST_MOMENT = timedelta(minutes=1)


def build_outlook(
    window: Span,
    forecasts: Sequence[Forecast],
    *,
    shortest: timedelta,
    now: datetime,
    is_night_of: bool,
    base_rate: float = BASE_RATE,
) -> Outlook:
    """The outlook over one dark window, as far as it still lies ahead of `now`.

    shortest: length of the event. is_night_of: it is the day of the night, so runs must be fresher.
    base_rate: share of clear nights that member counts are drawn toward (0..1).
    Each source gives a chance of its own; sources of one lineage are averaged, then the lineages,
    each weighing the same. A blend that may hide one of the others counts only when it stands alone.
    Sources that can't be used stay listed, with the reason.
    """
    length = max(shortest, SHORTEST_MOMENT)
    ahead = _still_ahead(window, length, now)
    readings = [_read(forecast, ahead, length, now, is_night_of, base_rate) for forecast in forecasts]
    usable = [reading.forecast for reading in readings if not reading.unusable]
    answering = [reading for reading in readings if reading.chance is not None]
    lineages = independent_lineages(reading.source.lineage for reading in answering)
    counted = [reading for reading in answering if reading.source.lineage in lineages]
    per_source = tuple(reading.as_source_chance() for reading in readings)
    found = hazards.assess(ahead, usable)
    known = {hazard.name: hazard.level is not HazardLevel.UNKNOWN for hazard in found}
    return Outlook(
        window=window,
        chance_pct=_pct(_over_lineages(counted, _own_chance)) if counted else None,
        spread_pct=_spread(answering),
        best=_best_stretch(counted, length),
        per_source=per_source,
        hazards=found,
        cloud_known=bool(answering),
        wind_known=known["wind"],
        precipitation_known=known["precipitation"],
        lineages=tuple(sorted(lineages)),
        providers=tuple(sorted({reading.source.provider for reading in counted})),
        newest_issue=max((r.source.issued_at for r in answering if r.source.issued_at), default=None),
        notes=_notes(readings, window, ahead, length),
        agreement=(sum((each.chance or 0.0) >= SAYS_CLEAR_FROM for each in per_source), len(answering)),
    )


def effective_cloud_pct(hour: HourlyWeather, scheme: LayerScheme) -> float | None:
    """Cloud as it bears on a picture of the night sky: the total, less what thin high cloud forgives.

    The high-only part is what the total leaves over low and mid cloud, these taken side by side. It
    weighs 0.6, a common and simple allowance. The total is never rebuilt from layers: without one the
    answer is None, and where a layer is missing the whole total counts.
    """
    total_pct, low, mid, high = (
        hour.cloud_total_pct,
        hour.cloud_low_pct,
        hour.cloud_mid_pct,
        hour.cloud_high_pct,
    )
    if total_pct is None or scheme is LayerScheme.NONE or low is None or mid is None or high is None:
        return total_pct
    high_only = min(high, max(0.0, total_pct - low - mid))
    return total_pct - (1 - THIN_CLOUD_WEIGHT) * high_only


@dataclass(frozen=True, slots=True)
class _Reading:
    """One source over the window.

    unusable: why nothing of it may be used; why_not: why its cloud gives no chance.
    chance_from: the chance of the event in a stretch that begins at a given moment.
    """

    forecast: Forecast
    unusable: str = ""
    why_not: str = ""
    chance: float | None = None
    least_cloud_pct: float | None = None
    parts: tuple[Span, ...] = ()
    chance_from: Callable[[datetime], float] = lambda start: 0.0

    @property
    def source(self) -> Source:
        return self.forecast.source

    def as_source_chance(self) -> SourceChance:
        return SourceChance(
            source=self.source,
            chance=None if self.chance is None else _pct(self.chance) / 100,
            why_not=self.unusable or self.why_not,
            least_cloud_pct=None if self.least_cloud_pct is None else round(self.least_cloud_pct, 1),
            members=len(self.forecast.members),
        )


def _read(
    forecast: Forecast, span: Span, length: timedelta, now: datetime, is_night_of: bool, base_rate: float
) -> _Reading:
    if unusable := why_unusable(forecast.source, now, is_night_of):
        return _Reading(forecast, unusable=unusable)
    if not any(True for _ in forecast.over(span)):
        return _Reading(forecast, unusable="doesn't reach this window")
    lead_days = max(timedelta(0), span.middle - (forecast.source.issued_at or now)) / timedelta(days=1)
    if forecast.members:
        return _read_members(forecast, span, length, lead_days, base_rate)
    return _read_single(forecast, span, length, lead_days)


def why_unusable(source: Source, now: datetime, is_night_of: bool) -> str:
    """Why a run may not be used at `now`, or "" when it may.

    Its age counts from its issue; where that isn't named, from when its values were first seen, else
    from when they were fetched. A run with no time at all (played from a file) is accepted.
    """
    since = dated(source)
    if since is None:
        return ""
    if since > now:
        return "issued after the moment we judge for"
    oldest = OLDEST_RUN_ON_THE_DAY if is_night_of else OLDEST_RUN
    if now - since > oldest:
        return f"its run is {_hours(now - since)} h old, more than {_hours(oldest)} h"
    return ""


def dated(source: Source) -> datetime | None:
    """The time that a run's age counts from; None when nobody knows."""
    return source.issued_at or source.unchanged_since or source.fetched_at


def _read_single(forecast: Forecast, span: Span, length: timedelta, lead_days: float) -> _Reading:
    """A single run's chance, from the worst hour of its clearest stretch."""
    known = [
        (part, cloud)
        for part, hour in forecast.over(span)
        if (cloud := effective_cloud_pct(hour, forecast.layer_scheme)) is not None
    ]
    parts, clouds = tuple(part for part, _ in known), [cloud for _, cloud in known]
    if why_not := _too_unknown(1 - total(parts) / span.duration):
        return _Reading(forecast, why_not=why_not)

    def worst_cloud(stretch: Stretch | None) -> float:
        return max(clouds[stretch.first : stretch.after]) if stretch else ALL_CLOUD_PCT

    stretches = all_stretches(parts, length)
    least = min(map(worst_cloud, stretches), default=ALL_CLOUD_PCT)
    return _Reading(
        forecast,
        chance=0.0 if length > span.duration else chance_of_forecast(least, lead_days),
        least_cloud_pct=least if stretches else None,
        parts=parts,
        chance_from=lambda start: chance_of_forecast(
            worst_cloud(stretch_at(parts, start, length)), lead_days
        ),
    )


def _read_members(
    forecast: Forecast, span: Span, length: timedelta, lead_days: float, base_rate: float
) -> _Reading:
    """An ensemble's chance: the share of members in which the event happens, each over all hours."""
    touched = [
        i for i, hour in enumerate(forecast.hours) if hour.starts < span.end and span.start < hour.ends
    ]
    parts = tuple(part for part, _ in forecast.over(span))
    rows = [[_or_cloudy(member[i]) for i in touched] for member in forecast.members]
    missing = [[member[i] is None for i in touched] for member in forecast.members]
    if why_not := _too_unknown(_unknown_share(parts, missing, span)):
        return _Reading(forecast, why_not=why_not)
    stretches = all_stretches(parts, length)
    least = [min((max(row[s.first : s.after]) for s in stretches), default=ALL_CLOUD_PCT) for row in rows]
    happens = sum(cloud <= CLEAR_LIMIT_PCT for cloud in least)

    def chance_from(start: datetime) -> float:
        stretch = stretch_at(parts, start, length)
        clear = 0
        if stretch:
            clear = sum(max(row[stretch.first : stretch.after]) <= CLEAR_LIMIT_PCT for row in rows)
        return chance_of_members(clear, len(rows), lead_days, base_rate)

    return _Reading(
        forecast,
        chance=0.0 if length > span.duration else chance_of_members(happens, len(rows), lead_days, base_rate),
        least_cloud_pct=median(least) if stretches else None,
        parts=parts,
        chance_from=chance_from,
    )


def _or_cloudy(cloud_pct: float | None) -> float:
    return ALL_CLOUD_PCT if cloud_pct is None else cloud_pct


def _unknown_share(parts: Sequence[Span], missing: Sequence[Sequence[bool]], span: Span) -> float:
    """The share of member-time inside `span` without a value."""
    known = sum(
        (part.duration for row in missing for part, gone in zip(parts, row, strict=True) if not gone),
        timedelta(0),
    )
    return 1 - known / (span.duration * len(missing))


def _too_unknown(share: float) -> str:
    return f"{_pct(share)} % of the window is unknown" if share > MOST_UNKNOWN_SHARE else ""


def _still_ahead(window: Span, length: timedelta, now: datetime) -> Span:
    """The part of the window that can still hold the event; all of it when it is over or to come."""
    return Span(now, window.end) if window.start < now < window.end - length else window


def _own_chance(reading: _Reading) -> float:
    return reading.chance if reading.chance is not None else 0.0


def _over_lineages(readings: Sequence[_Reading], chance: Callable[[_Reading], float]) -> float:
    """The mean over lineages of the mean within each, so that many models of one family weigh as one."""
    by_lineage: dict[str, list[float]] = {}
    for reading in readings:
        by_lineage.setdefault(reading.source.lineage, []).append(chance(reading))
    return fmean(fmean(chances) for chances in by_lineage.values())


def _best_stretch(readings: Sequence[_Reading], length: timedelta) -> Span | None:
    """The stretch with the highest joint chance over all sources, the earliest of equals."""
    starts = {
        start
        for reading in readings
        for start in starts_to_try(reading.parts, length)
        if stretch_at(reading.parts, start, length)
    }
    if not starts:
        return None
    best = max(sorted(starts), key=lambda start: _over_lineages(readings, lambda r: r.chance_from(start)))
    return Span(best, best + length)


def _spread(readings: Sequence[_Reading]) -> tuple[int, int] | None:
    chances = [_pct(_own_chance(reading)) for reading in readings]
    return (min(chances), max(chances)) if chances else None


def _notes(readings: Sequence[_Reading], window: Span, ahead: Span, length: timedelta) -> tuple[str, ...]:
    """What a reader must know of the sources: what was left out and why, and ages nobody knows."""
    notes = [
        f"{reading.source.model} from {reading.source.provider} not used: {why}"
        for reading in readings
        if (why := reading.unusable or reading.why_not)
    ]
    notes += [
        f"{reading.source.model} from {reading.source.provider}: age unknown"
        for reading in readings
        if reading.chance is not None and dated(reading.source) is None
    ]
    if ahead != window:
        notes.append("judged on what is left of the window")
    if length > window.duration:
        notes.append("the window is shorter than the time asked for, so the chance is nil")
    return tuple(notes)


def _hours(age: timedelta) -> str:
    return f"{age / timedelta(hours=1):.1f}".removesuffix(".0")


def _pct(share: float) -> int:
    """A share in whole per cent, halves upward."""
    return int(100 * share + 0.5)
