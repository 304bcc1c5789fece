"""The catalogue's files, and among them names that go by a number: weekdays and months.

They stand apart from what says a phrase, as times are said with them and phrases say times.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

LANGUAGE = "en"


@cache
def read_area(language: str, area: str) -> Mapping[str, str | Mapping[str, str]]:
    """The entries of a file of the catalogue as they are written; none where that language lacks it."""
    source = files("alerts.common") / "catalogue" / language / f"{area}.toml"
    return tomllib.loads(source.read_text(encoding="utf-8")) if source.is_file() else {}


def name_of(table: str, number: int, language: str = LANGUAGE) -> str:
    """The name of that number in a table of `names.toml`: `Wed` of 2 in `weekday-short`. One that a language
    lacks is English, as with all entries."""
    for each in (language, LANGUAGE):
        names = read_area(each, "names").get(table, {})
        assert not isinstance(names, str)
        if str(number) in names:
            return names[str(number)]
    raise KeyError(f"the catalogue has no name of {number} in {table!r}")
