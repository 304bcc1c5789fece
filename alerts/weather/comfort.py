"""What cold and damp do: felt temperature, frostbite, dew point."""

from __future__ import annotations

from math import log

from alerts.weather.hours import HourlyWeather

FREEZES_FROM_C = -15.0
"""In air warmer than this bare skin doesn't freeze within half an hour."""


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
    if temperature_c > FREEZES_FROM_C:
        return None
    minutes = float((-24.5 * (0.667 * wind_ms * 3.6 + 4.8) + 2111) * (-4.8 - temperature_c) ** -1.668)
    return max(minutes, 0.0) if minutes <= 30 else None


def dew_point_c(temperature_c: float, relative_humidity_pct: float) -> float:
    """Dew point over water. Source: Alduchov and Eskridge 1996, J. Appl. Meteor. 35, 601-609.

    relative_humidity_pct: above 0; -40..50 °C, vapour pressure within 0.4 %.
    """
    gamma = log(relative_humidity_pct / 100) + 17.625 * temperature_c / (243.04 + temperature_c)
    return 243.04 * gamma / (17.625 - gamma)


def felt(temperature_c: float | None, wind_ms: float | None) -> float | None:
    """Wind chill where it is defined, else the air temperature; None while either is missing."""
    if temperature_c is None or wind_ms is None:
        return None
    chill = wind_chill_c(temperature_c, wind_ms)
    return temperature_c if chill is None else chill


def dew_spread(
    temperature_c: float | None, own_c: float | None, relative_humidity_pct: float | None
) -> float | None:
    """How far the air is above its dew point, from the feed's own or from relative humidity."""
    if temperature_c is None:
        return None
    if own_c is not None:
        return temperature_c - own_c
    return (
        temperature_c - dew_point_c(temperature_c, relative_humidity_pct) if relative_humidity_pct else None
    )


def dew_spread_c(hour: HourlyWeather) -> float | None:
    """The same of an hour."""
    return dew_spread(hour.temperature_c, hour.dew_point_c, hour.relative_humidity_pct)


def frostbite(temperature_c: float | None, wind_ms: float | None) -> float | None:
    """Minutes until bare skin freezes; None where it takes longer or isn't known."""
    return None if temperature_c is None or wind_ms is None else frostbite_minutes(temperature_c, wind_ms)
