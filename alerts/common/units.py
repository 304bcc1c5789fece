"""The units that a person reads figures and times in."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from alerts.common.time_text import say_12_hours


@dataclass(frozen=True, slots=True)
class Units:
    """How figures and times are written to a person. clock_hours: 24 or 12."""

    METRIC: ClassVar[Units]
    IMPERIAL: ClassVar[Units]

    fahrenheit: bool = False
    miles: bool = False
    clock_hours: int = 24

    @property
    def word(self) -> str:
        """`metric`, `imperial`, or `mixed` for degrees Celsius with miles and the other way round."""
        if self.fahrenheit == self.miles:
            return "imperial" if self.miles else "metric"
        return "mixed"


Units.METRIC, Units.IMPERIAL = Units(), Units(fahrenheit=True, miles=True)


MPH_PER_MS = 3600 / 1609.344
MILES_PER_KM = 1 / 1.609344
MM_PER_INCH = 25.4
FEET_PER_M = 1 / 0.3048


def in_units(text: str, units: Units) -> str:
    """One of our own sentences, written in metric and on a 24-hour clock, in the units wished.

    Turns °C (and differences above the dew point), m/s, mm/h, km and m, and times such as 22:05; a figure
    in any other unit stays as it is.
    """
    wanted = (_WARMTH if units.fahrenheit else ()) + (_LENGTHS if units.miles else ())
    for pattern, turned in wanted:
        text = pattern.sub(turned, text)
    if units.clock_hours == 12:
        text = _TIME.sub(lambda match: say_12_hours(int(match[1]), int(match[2])), text)
    return text


def _whole(value: float) -> str:
    return f"{value:.0f}".replace("-0", "0").replace("-", "−")


def _turn(
    unit: str, word: str, convert: Callable[[float], str]
) -> tuple[re.Pattern[str], Callable[[re.Match[str]], str]]:
    pattern = re.compile(rf"(?<![\w.])([−-]?\d+(?:\.\d+)?) {unit}(?![\w/²])")
    return pattern, lambda match: f"{convert(float(match[1].replace('−', '-')))} {word}"


_TIME = re.compile(r"(?<![\d:.])([01]\d|2[0-3]):([0-5]\d)(?!:?\d| [ap]m)")


_WARMTH = (
    _turn("°C above the dew point", "°F above the dew point", lambda c: _whole(c * 9 / 5)),
    _turn("°C", "°F", lambda c: _whole(c * 9 / 5 + 32)),
)


_LENGTHS = (
    _turn("m/s", "mph", lambda ms: f"{ms * MPH_PER_MS:.0f}"),
    _turn("mm/h", "in/h", lambda mm: f"{mm / MM_PER_INCH:.2f}"),
    _turn("km", "miles", lambda km: f"{km * MILES_PER_KM:.0f}"),
    _turn("m", "ft", lambda m: f"{m * FEET_PER_M:.0f}"),
)
