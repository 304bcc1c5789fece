"""Figures in the units that a person wished, and our own sentences turned into them."""

from __future__ import annotations

import re
from collections.abc import Callable

from alerts.briefing.facts import Units
from alerts.wishes import Temperature, Wishes

MPH_PER_MS = 3600 / 1609.344
MILES_PER_KM = 1 / 1.609344
MM_PER_INCH = 25.4
FEET_PER_M = 1 / 0.3048


def units_of(wishes: Wishes) -> Units:
    """Figures go by the temperature wished: who reads degrees Fahrenheit reads miles."""
    return Units.IMPERIAL if wishes.units.temperature is Temperature.FAHRENHEIT else Units.METRIC


def say_temperature(celsius: float, units: Units) -> str:
    """`−4 °C`, `25 °F`."""
    if units is Units.IMPERIAL:
        return f"{_whole(celsius * 9 / 5 + 32)} °F"
    return f"{_whole(celsius)} °C"


def say_speed(ms: float, units: Units) -> str:
    """`7 m/s`, `16 mph`."""
    return f"{ms * MPH_PER_MS:.0f} mph" if units is Units.IMPERIAL else f"{ms:.0f} m/s"


def say_distance(km: float, units: Units) -> str:
    """`41 km`, `25 miles`."""
    return f"{km * MILES_PER_KM:.0f} miles" if units is Units.IMPERIAL else f"{km:.0f} km"


def in_units(text: str, units: Units) -> str:
    """One of our own sentences, written in metric, in the units wished.

    Turns °C (and differences above the dew point), m/s, mm/h, km and m; a figure in any other unit
    stays as it is.
    """
    if units is Units.METRIC:
        return text
    for pattern, turned in _IMPERIAL:
        text = pattern.sub(turned, text)
    return text


def _whole(value: float) -> str:
    return f"{value:.0f}".replace("-0", "0").replace("-", "−")


def _value(match: re.Match[str]) -> float:
    return float(match[1].replace("−", "-"))


def _turn(
    unit: str, word: str, convert: Callable[[float], str]
) -> tuple[re.Pattern[str], Callable[[re.Match[str]], str]]:
    pattern = re.compile(rf"(?<![\w.])([−-]?\d+(?:\.\d+)?) {unit}(?![\w/²])")
    return pattern, lambda match: f"{convert(_value(match))} {word}"


_IMPERIAL = (
    _turn("°C above the dew point", "°F above the dew point", lambda c: _whole(c * 9 / 5)),
    _turn("°C", "°F", lambda c: _whole(c * 9 / 5 + 32)),
    _turn("m/s", "mph", lambda ms: f"{ms * MPH_PER_MS:.0f}"),
    _turn("mm/h", "in/h", lambda mm: f"{mm / MM_PER_INCH:.2f}"),
    _turn("km", "miles", lambda km: f"{km * MILES_PER_KM:.0f}"),
    _turn("m", "ft", lambda m: f"{m * FEET_PER_M:.0f}"),
)
