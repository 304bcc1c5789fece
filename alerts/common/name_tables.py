"""Names that go by a number: weekdays, months, directions, small counts. They stand in the catalogue.

Read here by themselves, as times are said with them and `phrases` says times.
"""

from __future__ import annotations

import tomllib
from datetime import date
from functools import cache
from importlib.resources import files


@cache
def _names(entry: str) -> tuple[str, ...]:
    area, _, code = entry.partition(".")
    source = files("alerts.common") / "catalogue" / "en" / f"{area}.toml"
    table = tomllib.loads(source.read_text(encoding="utf-8"))[code]
    return tuple(name for number, name in table.items() if number != "by")


def weekday_name(day: date, *, short: bool = False) -> str:
    """`Wednesday`, or `Wed`."""
    return _names("names.weekday-short" if short else "names.weekday")[day.weekday()]


def month_name(month: int, *, short: bool = False) -> str:
    """`July` of 7, or `Jul`."""
    return _names("names.month-short" if short else "names.month")[month - 1]


def direction_word(azimuth_deg: float, points: int = 16) -> str:
    """The nearest of 16 (or 8) compass directions; azimuth from north through east."""
    nearest = round(azimuth_deg / (360 / points)) % points
    return _names("names.direction")[nearest * 16 // points]


def direction_letters(azimuth_deg: float) -> str:
    """The same of 16 as letters: `NNE`."""
    return _names("names.direction-letters")[round(azimuth_deg / 22.5) % 16]


def count_word(count: int) -> str:
    """`three`, or the figures beyond ten."""
    words = _names("names.count")
    return words[count] if 0 <= count < len(words) else str(count)
