"""What the air can do to people, glass and pictures over a span: the worst of all sources, named."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from math import log
from typing import TypeAlias

from alerts.span import Span
from alerts.weather.outlook import Hazard, HazardLevel
from alerts.weather.record import Forecast, HourlyWeather

KNOWN_FROM_SHARE = 0.8
"""A value is known over a span when one source has it for this share of the time."""

WIND_SHAKES_MS = 8.0  # Beaufort 5: small trees sway, and so does a tripod
WIND_UNSAFE_MS = 17.2  # Beaufort 8, gale: walking is hard
GUST_SHAKES_MS = 10.8  # Beaufort 6
GUST_UNSAFE_MS = 20.8  # Beaufort 9: branches come down
PRECIPITATION_LIKELY_PCT = 30.0
PRECIPITATION_UNLIKELY_PCT = 15.0
PRECIPITATION_WET_MM_H = 0.2
THUNDER_BLOCKS_PCT = 20.0  # our own choice, as the next: a tripod on a ridge forgives nothing
THUNDER_WARNS_PCT = 5.0
FOG_VISIBILITY_M = 1000.0  # fog by WMO's definition
FOG_SHARE_PCT = 50.0
FOG_WARNS_SHARE_PCT = 20.0
DEW_SPREAD_C = 3.0
"""A lens under a clear sky cools below the air; within this of the dew point it mists over."""
COLD_FELT_C = -10.0
FROSTBITE_WARNS_MIN = 30.0
FROSTBITE_BLOCKS_MIN = 10.0

_Hours: TypeAlias = Sequence[tuple[Span, HourlyWeather]]
"""One source's hours, each with the part it shares with the span."""


def assess(span: Span, forecasts: Sequence[Forecast]) -> tuple[Hazard, ...]:
    """Every hazard over `span`, one of each name, in a fixed order.

    Safety looks at the worst value of any source. A value that no source has for 80 % of the span is
    `unknown`, except when what is known already fails.
    """
    rules = (_wind, _gust, _precipitation, _thunder, _cold, _fog, _lens)
    touched = [tuple(forecast.over(span)) for forecast in forecasts]
    return tuple(rule(span, touched) for rule in rules)


def wind_chill_c(temperature_c: float, wind_ms: float) -> float | None:
    """Felt temperature; None outside the index's range (above 10 °C, or wind of 4.8 km/h and less).

    wind_ms: mean wind at 10 m. Source: U.S. National Weather Service and Environment Canada,
    wind chill index of November 2001, metric form.
    """
    wind_kmh = wind_ms * 3.6
    if temperature_c > 10 or wind_kmh <= 4.8:
        return None
    power: float = wind_kmh**0.16
    return 13.12 + 0.6215 * temperature_c - 11.37 * power + 0.3965 * temperature_c * power


def frostbite_minutes(temperature_c: float, wind_ms: float) -> float | None:
    """Minutes until bare skin freezes, where that is 30 or less; None where it takes longer.

    wind_ms: mean wind at 10 m. Source: the formula behind the NWS wind chill chart (2001).
    """
    if temperature_c > -15:
        return None
    minutes = float((-24.5 * (0.667 * wind_ms * 3.6 + 4.8) + 2111) * (-4.8 - temperature_c) ** -1.668)
    return max(minutes, 0.0) if minutes <= 30 else None


def dew_point_c(temperature_c: float, relative_humidity_pct: float) -> float:
    """Dew point over water. Source: Alduchov and Eskridge 1996, J. Appl. Meteor. 35, 601-609.

    relative_humidity_pct: above 0; -40..50 °C, vapour pressure within 0.4 %.
    """
    gamma = log(relative_humidity_pct / 100) + 17.625 * temperature_c / (243.04 + temperature_c)
    return 243.04 * gamma / (17.625 - gamma)


def felt_c(hour: HourlyWeather) -> float | None:
    """Wind chill where it is defined, else the air temperature; None while either is missing."""
    if hour.temperature_c is None or hour.wind_ms is None:
        return None
    chill = wind_chill_c(hour.temperature_c, hour.wind_ms)
    return hour.temperature_c if chill is None else chill


def dew_spread_c(hour: HourlyWeather) -> float | None:
    """How far the air is above its dew point, from the feed's own or from relative humidity."""
    if hour.temperature_c is None:
        return None
    if hour.dew_point_c is not None:
        return hour.temperature_c - hour.dew_point_c
    if not hour.relative_humidity_pct:
        return None
    return hour.temperature_c - dew_point_c(hour.temperature_c, hour.relative_humidity_pct)


@dataclass(frozen=True, slots=True)
class _Worst:
    """The worst value found, and whether one source knows it for most of the span."""

    value: float | None
    known: bool

    def at_least(self, limit: float) -> bool:
        return self.value is not None and self.value >= limit

    def at_most(self, limit: float) -> bool:
        return self.value is not None and self.value <= limit


def _worst(
    span: Span,
    sources: Sequence[_Hours],
    value_of: Callable[[HourlyWeather], float | None],
    pick: Callable[[list[float]], float] = max,
) -> _Worst:
    values: list[float] = []
    known = False
    for hours in sources:
        covered = timedelta(0)
        for part, hour in hours:
            if (value := value_of(hour)) is not None:
                values.append(value)
                covered += part.duration
        known = known or covered >= KNOWN_FROM_SHARE * span.duration
    return _Worst(pick(values) if values else None, known)


def _level(fails: bool, known: bool, warns: bool) -> HazardLevel:
    """A known failing hazard fails however little is known; else the unknown comes before the fine."""
    if fails:
        return HazardLevel.FAIL
    if not known:
        return HazardLevel.UNKNOWN
    return HazardLevel.WARN if warns else HazardLevel.FINE


def _wind(span: Span, sources: Sequence[_Hours]) -> Hazard:
    worst = _worst(span, sources, lambda hour: hour.wind_ms)
    level = _level(worst.at_least(WIND_UNSAFE_MS), worst.known, worst.at_least(WIND_SHAKES_MS))
    return _hazard("wind", level, worst.value, "m/s", "wind up to {:.0f} m/s", "wind unknown")


def _gust(span: Span, sources: Sequence[_Hours]) -> Hazard:
    worst = _worst(span, sources, lambda hour: hour.gust_ms)
    level = _level(worst.at_least(GUST_UNSAFE_MS), worst.known, worst.at_least(GUST_SHAKES_MS))
    return _hazard("gust", level, worst.value, "m/s", "gusts up to {:.0f} m/s", "gusts unknown")


def _precipitation(span: Span, sources: Sequence[_Hours]) -> Hazard:
    """Fails from a chance of 30 % or an amount of 0.2 mm/h on; known when either is."""
    chance = _worst(span, sources, lambda hour: hour.precipitation_probability_pct)
    rate = _worst(span, sources, _rate_mm_h)
    fails = chance.at_least(PRECIPITATION_LIKELY_PCT) or rate.at_least(PRECIPITATION_WET_MM_H)
    level = _level(fails, chance.known or rate.known, chance.at_least(PRECIPITATION_UNLIKELY_PCT))
    said = [f"{chance.value:.0f} %"] if chance.value is not None else []
    said += [f"up to {rate.value:.1f} mm/h"] if rate.value is not None else []
    text = "rain or snow " + ", ".join(said) if said else "rain and snow unknown"
    if chance.value is not None:
        return Hazard("precipitation", level, text, _rounded(chance.value), "%")
    return Hazard("precipitation", level, text, _rounded(rate.value), "mm/h")


def _rate_mm_h(hour: HourlyWeather) -> float | None:
    if hour.precipitation_mm is None:
        return None
    return hour.precipitation_mm / (hour.step / timedelta(hours=1))


def _thunder(span: Span, sources: Sequence[_Hours]) -> Hazard:
    """By the feed's chance; where it has none, storms that its words name fail outright."""
    worst = _worst(span, sources, _thunder_pct)
    level = _level(worst.at_least(THUNDER_BLOCKS_PCT), worst.known, worst.at_least(THUNDER_WARNS_PCT))
    named = worst.at_least(100.0)
    text = "thunderstorms in the forecast" if named else "thunderstorms {:.0f} %"
    return _hazard("thunder", level, worst.value, "%", text, "thunderstorms unknown")


def _thunder_pct(hour: HourlyWeather) -> float | None:
    if hour.thunder_probability_pct is not None:
        return hour.thunder_probability_pct
    return None if hour.thunder_named is None else 100.0 * hour.thunder_named


def _cold(span: Span, sources: Sequence[_Hours]) -> Hazard:
    """Felt cold; fails where bare skin freezes within 10 minutes."""
    worst = _worst(span, sources, felt_c, min)
    freezes = _worst(span, sources, _frostbite, min)
    level = _level(freezes.at_most(FROSTBITE_BLOCKS_MIN), worst.known, worst.at_most(COLD_FELT_C))
    text = "felt cold down to {:.0f} °C"
    if freezes.at_most(FROSTBITE_WARNS_MIN):
        text += f", bare skin freezes within {freezes.value:.0f} min"
    return _hazard("cold", level, worst.value, "°C", text, "felt cold unknown")


def _frostbite(hour: HourlyWeather) -> float | None:
    if hour.temperature_c is None or hour.wind_ms is None:
        return None
    return frostbite_minutes(hour.temperature_c, hour.wind_ms)


def _fog(span: Span, sources: Sequence[_Hours]) -> Hazard:
    """Warns of any fog; fails when measured fog fills more than half of the span for some source.

    Fog that is only named ("patchy fog") warns and no more.
    """
    share = _worst(span, sources, _fog_pct)
    named = _worst(span, sources, lambda hour: hour.fog_named)
    fills = any(_foggy_share(span, hours) > 0.5 for hours in sources)
    warns = share.at_least(FOG_WARNS_SHARE_PCT) or named.at_least(True)
    level = _level(fills, share.known or named.known, warns)
    if share.value is None and named.value is not None:
        return Hazard("fog", level, "fog in the forecast" if named.value else "no fog in the forecast")
    return _hazard("fog", level, share.value, "%", "fog up to {:.0f} %", "fog unknown")


def _fog_pct(hour: HourlyWeather) -> float | None:
    """The fog share, or 100 and 0 for visibility on either side of 1 km; the worse where both speak."""
    known = [hour.fog_pct] if hour.fog_pct is not None else []
    if hour.visibility_m is not None:
        known.append(100.0 if hour.visibility_m < FOG_VISIBILITY_M else 0.0)
    return max(known, default=None)


def _foggy_share(span: Span, hours: _Hours) -> float:
    foggy = (p.duration for p, hour in hours if (_fog_pct(hour) or 0.0) >= FOG_SHARE_PCT)
    return sum(foggy, timedelta(0)) / span.duration


def _lens(span: Span, sources: Sequence[_Hours]) -> Hazard:
    """Dew on the front glass, or frost when the dew point lies below freezing; never blocks a go."""
    spread = _worst(span, sources, dew_spread_c, min)
    coldest = _worst(span, sources, lambda hour: hour.temperature_c, min)
    kind = "frost" if coldest.at_most(0.0) else "dew"
    level = _level(False, spread.known, spread.at_most(DEW_SPREAD_C))
    risk = f"{kind} on the lens likely" if level is HazardLevel.WARN else f"no {kind} on the lens"
    text = risk + " ({:.0f} °C above the dew point)"
    return _hazard("lens", level, spread.value, "°C", text, "dew and frost unknown")


def _hazard(
    name: str, level: HazardLevel, worst: float | None, unit: str, known_text: str, unknown_text: str
) -> Hazard:
    text = unknown_text if worst is None else known_text.format(worst).replace("-", "−")
    if worst is not None and level is HazardLevel.UNKNOWN:
        text += " as far as known"
    return Hazard(name, level, text, _rounded(worst), unit)


def _rounded(value: float | None) -> float | None:
    """To one decimal, as it is stored and judged against a wish."""
    return None if value is None else round(value, 1)
