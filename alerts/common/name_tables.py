"""The catalogue's files, and among them names that go by a number: weekdays, months, directions, counts.

They stand apart from what says a phrase, as times are said with them and phrases say times.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import date
from functools import cache
from importlib.resources import files

LANGUAGE = "en"


@cache
def read_area(language: str, area: str) -> Mapping[str, str | Mapping[str, str]]:
    """The entries of a file of the catalogue as they are written; none where that language lacks it."""
    source = files("alerts.common") / "catalogue" / language / f"{area}.toml"
    return tomllib.loads(source.read_text(encoding="utf-8")) if source.is_file() else {}


@cache
def _names(key: str) -> tuple[str, ...]:
    area, _, code = key.partition(".")
    table = read_area(LANGUAGE, area)[code]
    assert not isinstance(table, str)
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
