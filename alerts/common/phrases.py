"""Values in words: a phrase is a code with typed values; the catalogue has its sentence, a reader its form.

`phrase("judging.moon-all-dark", until=at)` says what was found and makes no words. `say` makes them for a
reader, from `alerts/common/catalogue/<language>/judging.toml`, entry `moon-all-dark`:

    moon-all-dark = "the Moon is up until {until:clock}"

What stands in braces is a value's name, and after a colon the form it is said in, on the reader's clock and
in their units (two braces make one that is said):

    time, clock, hour   a moment: `Wed 22:23 EDT`; `22:23`, a time of day too; `22:23 EDT`
    when                a moment: `at 17:53 EDT`, with its day if not today
    stamp               a moment with its day: `Wed 15 July, 22:23 EDT`
    span, lasting       two moments: `Wed 22:23–01:36 EDT`; how long they last by these times, `3 h 13 min`
    day                 a date, or a moment's: `Wed 15 July`
    length              a timedelta: `2 h 10 min`
    speed, temperature, difference, rate, distance, height
                        of m/s, °C, a difference of °C, mm/h, km, m: `7 m/s`, or `16 mph` for who reads in
                        miles; `speed.1` with one decimal, `speed.g` with one where there is any in
                        the unit given, and whole in the other
    and, or, comma, semicolon, then, either, space
                        several values: `a, b and c` (as without a form), `a, b or c`, `a, b, c`, `a; b; c`,
                        `a, then b`, `a, or b`, `a b`
    capital             a phrase in a phrase, with a large first letter

All else is formatted by Python: `{chance_pct:.0f} %`, `{name!r}`. A phrase as a value is said in its place.

An entry that differs by a value is a table: `by` names the value, then an entry for each of its kinds: a
number's `one` or `other`, or the value itself (`0`, `yes`, `no`, a code).

    left = { by = "count", 0 = "no night left", one = "one night left", other = "{count} nights left" }
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import Enum
from functools import cache, lru_cache
from string import Formatter
from typing import Any, get_args, get_type_hints
from zoneinfo import ZoneInfo

from alerts.common.name_tables import LANGUAGE, read_area
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.common.time_text import (
    face,
    say_clock,
    say_day,
    say_hour,
    say_lasting,
    say_minutes,
    say_span,
    say_time,
    span_json,
    utc_text,
)
from alerts.common.units import FEET_PER_M, MILES_PER_KM, MM_PER_INCH, MPH_PER_MS, Units, in_units

KEPT = "common.kept"


@value(frozen=True, slots=True)
class Phrase:
    """A code of the catalogue with its values. Printed, it is said for a reader of metric units in UTC.

    zone: IANA name of the clock that its times are told on, whoever reads: a place's own, or that of the
    person it is about; "" for the reader's.
    """

    key: str
    values: tuple[tuple[str, Any], ...] = ()
    zone: str = ""
    _in_row: tuple[str, dict[str, object]] | None = field(default=None, init=False, repr=False, compare=False)

    def on(self, zone: str) -> Phrase:
        """The same on that clock."""
        return Phrase(self.key, self.values, zone)

    def __str__(self) -> str:
        return say(self)

    @property
    def code(self) -> str:
        """Its entry's name, without the area: `moon-all-dark`."""
        return self.key.partition(".")[2]

    @property
    def kinds(self) -> tuple[object, ...]:
        """The types of its values: 1, 1.0 and True are equal, and not said alike."""
        return tuple([each.kinds if type(each) is Phrase else type(each) for _, each in self.values])

    def as_row(self) -> dict[str, object]:
        """As rows keep it: its English text, and beside it code and typed values, see `from_row`."""
        text, codes = _text_and_codes(self)
        return {"text": text, **codes}

    @classmethod
    def __get_pydantic_core_schema__(cls, source: object, handler: object) -> Any:
        """How pydantic, which rows are written and read with, has it: a schema of its core, which is plain
        values, so that the rules needn't know pydantic. In a row it stands as `Worded` puts it."""
        return {
            "type": "function-plain",
            "function": {"type": "no-info", "function": from_row},
            "serialization": {
                "type": "function-plain",
                "function": lambda said: _text_and_codes(said)[0],
                "return_schema": {"type": "str"},
            },
        }

    def as_json(self) -> dict[str, object]:
        """`{"code": ..., "params": {...}}`: times in UTC, lengths in minutes."""
        found: dict[str, object] = {
            "code": self.key,
            "params": {name: _as_json(each) for name, each in self.values},
        }
        return found | {"zone": self.zone} if self.zone else found


class Worded:
    """A value with phrases in its fields. Its row has the English text of each where the field stands, and
    under `<field>_phrase` the code and values beside it, see `Phrase.as_row`; "" where there is none."""

    __slots__ = ()

    @classmethod
    def __get_pydantic_core_schema__(cls, source: type, handler: Callable[[type], Any]) -> Any:
        kinds = {name: kind for name, kind in get_type_hints(source).items() if _may_be(kind, Phrase)}
        names = tuple((name, f"{name}_phrase") for name in kinds)
        optional = frozenset(name for name, kind in kinds.items() if _may_be(kind, type(None)))

        def write(value: Any, dump: Callable[[Any], dict[str, Any]]) -> dict[str, Any]:
            row = dump(value)
            for name, beside in names:
                said = getattr(value, name)
                if type(said) is Phrase:
                    row[beside] = _text_and_codes(said)[1]
                elif said is None:
                    row[name] = ""
                elif type(said) is tuple and said:
                    row[beside] = [
                        _text_and_codes(each)[1] if type(each) is Phrase else None for each in said
                    ]
            return row

        def read(row: Any, load: Callable[[Any], Any]) -> Any:
            if isinstance(row, dict):
                row = dict(row)
                for name, beside in names:
                    text, codes = row.get(name), row.get(beside)
                    if codes is None:
                        if text == "" and name in optional:
                            row[name] = None
                    elif type(codes) is dict:
                        row[name] = _restored(text, codes)
                    else:
                        row[name] = [
                            _restored(each, code) if code else each
                            for each, code in zip(text, codes, strict=True)
                        ]
            return load(row)

        schema = handler(source)
        writer = {"type": "function-wrap", "function": write}
        reader = {"type": "no-info", "function": read}
        return {"type": "function-wrap", "function": reader, "schema": schema, "serialization": writer}


def _text_and_codes(said: Phrase) -> tuple[str, dict[str, object]]:
    """What a row has of it; of those that many rows say made once. Nobody changes it."""
    if said._in_row is None:
        try:
            found = _made_once(said, said.kinds)
        except TypeError:  # a value that can't be hashed, such as a list
            found = str(said), _row_of(said)
        object.__setattr__(said, "_in_row", found)
        return found
    return said._in_row


@lru_cache(maxsize=10_000)
def _made_once(said: Phrase, kinds: tuple[object, ...]) -> tuple[str, dict[str, object]]:
    return str(said), _row_of(said)


def phrase_at(row: Mapping[str, Any], name: str) -> Phrase:
    """The phrase in that field of a row, see `Worded`; where only that one is wanted."""
    codes = row.get(f"{name}_phrase")
    return kept(row[name]) if codes is None else _restored(row[name], codes)


def without_codes(row: Any) -> Any:
    """The row as it was written when sentences had no codes yet."""
    if isinstance(row, dict):
        return {key: without_codes(each) for key, each in row.items() if not key.endswith("_phrase")}
    return [without_codes(each) for each in row] if isinstance(row, list) else row


def _may_be(kind: Any, wanted: type) -> bool:
    return kind is wanted or any(_may_be(each, wanted) for each in get_args(kind))


@dataclass(frozen=True, slots=True)
class Reader:
    """For whom words are made. now: the moment they are read, where "today" leaves out the day."""

    zone: tzinfo = UTC
    units: Units = Units.METRIC
    now: datetime | None = None
    language: str = LANGUAGE

    @property
    def hours(self) -> int:
        """Of their clock: 24 or 12."""
        return self.units.clock_hours


PLAIN_READER = Reader()


def phrase(key: str, /, **values: object) -> Phrase:
    """The phrase of that key with those values, none of them a finished sentence of ours."""
    return Phrase(key, tuple(values.items()))


def kept(text: str) -> Phrase:
    """A text of which nothing else is known, such as one that an older version stored: said as it stands."""
    return phrase(KEPT, text=text)


def from_row(row: Phrase | str | Mapping[str, Any]) -> Phrase:
    """The phrase that `as_row` wrote; of a text alone, or of a code that is no longer known, its text."""
    if isinstance(row, Phrase):
        return row
    return kept(row) if isinstance(row, str) else _restored(row.get("text", row["code"]), row)


def _restored(text: str, row: Mapping[str, Any]) -> Phrase:
    try:
        find_entry(row["code"], LANGUAGE)
    except KeyError:
        return kept(text)
    values = [
        (name, each if type(each) in _PLAIN else _from_row(each)) for name, each in row["params"].items()
    ]
    return Phrase(row["code"], tuple(values), row.get("zone", ""))


def say(what: Phrase | str, reader: Reader = PLAIN_READER, /, **values: object) -> str:
    """The words of a phrase, or of a key and its values, for a reader. KeyError where there are none."""
    if isinstance(what, Phrase):
        key, values = what.key, dict(what.values)
        if what.zone:
            reader = Reader(ZoneInfo(what.zone), reader.units, reader.now, reader.language)
    else:
        key = what
    if key == KEPT:  # its values are gone: figures and times are turned as they stand in the text
        return in_units(str(values["text"]), reader.units)
    entry = find_entry(key, reader.language)
    if isinstance(entry, str):
        return entry
    if not isinstance(entry, tuple):
        entry = _chosen(key, entry, values)
    if isinstance(entry, str):
        return entry
    return "".join([each if type(each) is str else each[1](values[each[0]], reader) for each in entry])


_Said = str | tuple[Any, ...]
"""A text without values; else texts, and between them a value's name with what makes its words."""


@cache
def find_entry(key: str, language: str = LANGUAGE) -> _Said | Mapping[str, _Said]:
    """What the catalogue has by that key, ready to be said, or a table to choose from; another language's
    gaps are filled in English. KeyError where there is nothing."""
    area, _, code = key.partition(".")
    found = _area(language, area).get(code)
    if found is None and language != LANGUAGE:
        found = _area(LANGUAGE, area).get(code)
    if found is None:
        raise KeyError(f"the catalogue has no {key!r}")
    return found


@cache
def _area(language: str, area: str) -> Mapping[str, _Said | Mapping[str, _Said]]:
    """A file of the catalogue, read when something of it is first said."""
    return {
        code: _pieces(each) if isinstance(each, str) else {kind: _pieces(text) for kind, text in each.items()}
        for code, each in read_area(language, area).items()
    }


def _pieces(entry: str) -> _Said:
    pieces: list[str | tuple[str, Callable[[Any, Reader], str]]] = []
    for text, name, form, conversion in Formatter().parse(entry):
        if text:
            pieces.append(text)
        if name is not None:
            assert name.isidentifier(), entry
            assert "{" not in (form or ""), entry
            pieces.append((name, _shown_as(form or "", is_quoted=conversion == "r")))
    return tuple(pieces) if any(type(each) is tuple for each in pieces) else "".join(map(str, pieces))


def _chosen(key: str, entry: Mapping[str, _Said], values: Mapping[str, object]) -> _Said:
    """The entry for the kind of the value that it goes by."""
    by = values[str(entry["by"])]
    if isinstance(by, bool):
        kind = "yes" if by else "no"
    elif isinstance(by, Enum):
        kind = str(by.value)
    else:
        kind = str(by)
    if kind in entry:
        return entry[kind]
    if isinstance(by, int | float) and by == 1 and "one" in entry:
        return entry["one"]
    if "other" not in entry:
        raise KeyError(f"the catalogue's {key!r} has no entry for {kind!r}")
    return entry["other"]


@cache
def _shown_as(form: str, *, is_quoted: bool = False) -> Callable[[Any, Reader], str]:
    """What makes a value's words for a reader, in that form of the sentence."""
    name, _, decimals = form.partition(".")
    moment, quantity = _MOMENTS.get(name), _QUANTITIES.get(name)

    def show(given: Any, reader: Reader) -> str:
        if is_quoted:
            return format(repr(given), form)
        if type(given) is str and not form:
            return given
        if isinstance(given, Phrase) or form == "capital":  # a row of before may have a text there
            said = say(given, reader) if isinstance(given, Phrase) else str(given)
            return said[:1].upper() + said[1:] if form == "capital" else said
        if isinstance(given, tuple | list):
            return _say_list([_plainly(each, reader) for each in given], form or "and", reader.language)
        if moment is not None:
            return moment(given, reader)
        if quantity is not None:
            return quantity.say(float(given), decimals, reader.units)
        return format(given.value if isinstance(given, Enum) else given, form)

    return show


def _say_list(items: Sequence[str], form: str, language: str) -> str:
    """The items as one says them together; what joins them is the catalogue's."""
    joints = find_entry("common.list", language)
    assert isinstance(joints, Mapping)
    last = str(joints[form])
    between = last if form in ("semicolon", "then", "either", "space") else str(joints["comma"])
    return last.join(part for part in (between.join(items[:-1]), *items[-1:]) if part)


def _day_of(given: datetime | date, reader: Reader) -> date:
    return given.astimezone(reader.zone).date() if isinstance(given, datetime) else given


def _say_when(at: datetime, reader: Reader) -> str:
    """A moment to the minute, with its day where that isn't today's for who reads."""
    is_today = _day_of(at.replace(second=0, microsecond=0), reader) == _day_of(reader.now or at, reader)
    return say("common.when", reader, is_today=is_today, at=at)


_MOMENTS: dict[str, Callable[[Any, Reader], str]] = {
    "time": lambda at, reader: say_time(at, reader.zone, reader.hours, reader.language),
    "clock": lambda at, reader: (
        face(at, reader.hours) if isinstance(at, time) else say_clock(at, reader.zone, reader.hours)
    ),
    "hour": lambda at, reader: say_hour(at, reader.zone, reader.hours),
    "stamp": lambda at, reader: (
        f"{say_day(_day_of(at, reader), reader.language)}, {say_hour(at, reader.zone, reader.hours)}"
    ),
    "when": lambda at, reader: _say_when(at, reader),
    "span": lambda span, reader: say_span(span, reader.zone, reader.hours, reader.language),
    "lasting": lambda span, _: say_lasting(span),
    "day": lambda given, reader: say_day(_day_of(given, reader), reader.language),
    "length": lambda length, _: say_minutes(length),
}


@dataclass(frozen=True, slots=True)
class _Unit:
    """A unit that figures are kept in, and what it is turned into for who reads in the other.

    decimals: those of a turned figure whatever is asked for; None for those that are asked for.
    """

    word: str
    other: str
    scale: float
    offset: float = 0.0
    is_warmth: bool = False
    decimals: int | None = None

    def say(self, figure: float, decimals: str, units: Units) -> str:
        """The figure in the reader's unit, with a true minus; no minus before nought."""
        places, word = int(decimals) if decimals.isdigit() else 0, self.word
        if units.fahrenheit if self.is_warmth else units.miles:
            places = places if self.decimals is None else self.decimals
            figure, word = figure * self.scale + self.offset, self.other
        elif decimals == "g" and not figure.is_integer():
            places = 1
        said = f"{figure:.{places}f}"
        if said.startswith("-"):
            said = f"−{said[1:]}" if float(said) else said[1:]
        return f"{said} {word}"


_QUANTITIES = {
    "speed": _Unit("m/s", "mph", MPH_PER_MS),
    "temperature": _Unit("°C", "°F", 9 / 5, 32.0, is_warmth=True),
    "difference": _Unit("°C", "°F", 9 / 5, is_warmth=True),
    "rate": _Unit("mm/h", "in/h", 1 / MM_PER_INCH, decimals=2),
    "distance": _Unit("km", "miles", MILES_PER_KM),
    "height": _Unit("m", "ft", FEET_PER_M),
}


_plainly = _shown_as("")


def _as_json(given: Any) -> object:
    if isinstance(given, Phrase):
        return given.as_json()
    if isinstance(given, datetime):
        return utc_text(given)
    if isinstance(given, Span):
        return span_json(given)
    if isinstance(given, date):
        return given.isoformat()
    if isinstance(given, timedelta):
        return round(given.total_seconds() / 60, 1)
    if isinstance(given, Enum):
        return given.value
    if isinstance(given, tuple | list):
        return [_as_json(each) for each in given]
    return round(given, 3) if isinstance(given, float) else given


_PLAIN = frozenset({str, int, float, bool})
"""What JSON has as it is."""


def _row_of(given: Phrase) -> dict[str, object]:
    params = {name: each if type(each) in _PLAIN else _to_row(each) for name, each in given.values}
    row: dict[str, object] = {"code": given.key, "params": params}
    return row | {"zone": given.zone} if given.zone else row


def _to_row(given: Any) -> object:
    """A value that is read back as what it was: those that JSON lacks carry their kind."""
    if isinstance(given, Phrase):  # its text is part of that of the phrase it stands in
        return {"phrase": _row_of(given)}
    if isinstance(given, datetime):
        return {"at": _instant(given)}
    if isinstance(given, Span):
        return {"from": _instant(given.start), "to": _instant(given.end)}
    if isinstance(given, date):
        return {"day": given.isoformat()}
    if isinstance(given, time):
        return {"clock": given.isoformat()}
    if isinstance(given, timedelta):
        return {"seconds": given.total_seconds()}
    if isinstance(given, Enum):
        return given.value
    if isinstance(given, tuple | list):
        return [_to_row(each) for each in given]
    if given is None or isinstance(given, str | int | float):
        return given
    return str(given)  # a path, or a library's error


def _instant(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _from_row(row: Any) -> object:
    match row:
        case {"phrase": inner}:
            return from_row(inner)
        case {"at": at}:
            return datetime.fromisoformat(at)
        case {"from": start, "to": end}:
            return Span(datetime.fromisoformat(start), datetime.fromisoformat(end))
        case {"day": day}:
            return date.fromisoformat(day)
        case {"clock": clock}:
            return time.fromisoformat(clock)
        case {"seconds": seconds}:
            return timedelta(seconds=seconds)
        case list():
            return tuple(_from_row(each) for each in row)
    return row
