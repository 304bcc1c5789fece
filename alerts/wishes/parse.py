"""Single wishes as people write them, and back: lengths, limits, evenings, trips, targets, units.

Every reader raises BadInput with one sentence that shows the form.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, time, timedelta

from alerts.common.clock_times import ClockSpan, parse_clock, parse_clock_span
from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase
from alerts.sky.night import WINTER_ARC_L_DEG, DarknessWish, Shape, Target, TargetKind
from alerts.wishes.model import (
    ALL_WEEK,
    CHOICES,
    Distance,
    HomeBy,
    LimitChoice,
    Temperature,
    Trip,
    UnitWishes,
)

NOTHING = ("none", "no", "off", "")
"""How people say that they want no limit, or nothing of that kind."""
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
"""As they are written, in full or from three letters on; the words that are said are the catalogue's."""
_DAYS = tuple(name[:3] for name in _WEEKDAYS)
_LENGTH = re.compile(r"(?:(?P<hours>\d{1,3})\s*h(?:ours?)?)?\s*(?:(?P<minutes>\d{1,4})\s*min(?:utes)?)?")
_FIGURE = re.compile(r"(?P<figure>[+-]?\d+(?:\.\d+)?)\s*(?P<unit>\D*)")
_SPEEDS_MS = {"": 1.0, "m/s": 1.0, "km/h": 1 / 3.6, "kmh": 1 / 3.6, "mph": 0.44704, "kn": 1852 / 3600}
"""One of each in m/s; the international mile and nautical mile."""
_TRIP = re.compile(
    r"(?P<first>\d{4}-\d\d-\d\d)\s*(?:to|–|-|until)\s*(?P<last>\d{4}-\d\d-\d\d)"
    r"(?:\s*,\s*(?P<drive>\d{1,4})\s*min(?:utes)?)?(?:\s*,?\s*from\s+(?P<start>.+))?"
)
_UNITS: dict[str, dict[str, object]] = {
    "metric": {"temperature": Temperature.CELSIUS, "distance": Distance.KILOMETRES, "clock_hours": 24},
    "imperial": {"temperature": Temperature.FAHRENHEIT, "distance": Distance.MILES, "clock_hours": 12},
    "celsius": {"temperature": Temperature.CELSIUS},
    "fahrenheit": {"temperature": Temperature.FAHRENHEIT},
    "kilometres": {"distance": Distance.KILOMETRES},
    "km": {"distance": Distance.KILOMETRES},
    "miles": {"distance": Distance.MILES},
    "12h": {"clock_hours": 12},
    "24h": {"clock_hours": 24},
}


def is_nothing(text: str) -> bool:
    return text.strip().lower() in NOTHING


def read_length(text: str) -> timedelta:
    """`90` (minutes), `1:30`, `2 h`, `2 h 30 min`."""
    plain = text.strip().lower()
    hours, colon, minutes = plain.partition(":")
    if colon and hours.isdecimal() and minutes.isdecimal() and len(hours) <= 3 and len(minutes) == 2:
        return timedelta(hours=int(hours), minutes=int(minutes))
    if plain.isdecimal() and len(plain) <= 5:
        return timedelta(minutes=int(plain))
    match = _LENGTH.fullmatch(plain)
    if match is None or (match["hours"] is None and match["minutes"] is None):
        raise BadInput(phrase("wishes.length-unreadable", text=text[:40]))
    return timedelta(hours=int(match["hours"] or 0), minutes=int(match["minutes"] or 0))


def length_text(length: timedelta) -> str:
    """In minutes, as `read_length` reads it."""
    return str(round(length / timedelta(minutes=1)))


def read_number(text: str) -> float:
    """`9`, `9.5`, `9,5`, `−5`."""
    return _figure(text, ("",))[0]


def find_choice(text: str) -> LimitChoice | None:
    """The named choice of limits: eager, even or choosy; None for anything else."""
    name = text.strip().lower()
    return next((choice for choice in CHOICES if choice.name == name), None)


def read_whole(text: str) -> int:
    """`70`, `70 %`."""
    plain = text.strip().removesuffix("%").strip()
    if not re.fullmatch(r"-?\d{1,6}", plain):
        raise BadInput(phrase("wishes.number-unreadable", text=text[:40]))
    return int(plain)


def read_degrees(text: str) -> float:
    """`10`, `10°`."""
    value = _figure(text, ("", "°", "deg"))[0]
    if not -10 <= value <= 90:
        raise BadInput(phrase("wishes.altitude-unreadable", text=text[:40]))
    return value


def read_speed_ms(text: str) -> float:
    """`9` (m/s), `20 mph`, `32 km/h`, `18 kn`."""
    value, unit = _figure(text, tuple(_SPEEDS_MS))
    return round(value * _SPEEDS_MS[unit], 1)


def read_temperature_c(text: str) -> float:
    """`-5` (°C), `20 °F`."""
    value, unit = _figure(text, ("", "c", "f", "°c", "°f"))
    return round((value - 32) * 5 / 9, 1) if unit.endswith("f") else value


def _figure(text: str, units: Sequence[str]) -> tuple[float, str]:
    plain = text.strip().lower().replace("−", "-").replace(",", ".")
    match = _FIGURE.fullmatch(plain)
    unit = match["unit"].strip() if match else ""
    if match is None or unit not in units:
        named = tuple(each for each in units if each)[:4]
        if named:
            raise BadInput(phrase("wishes.figures-or-units-unreadable", text=text[:40], units=named))
        raise BadInput(phrase("wishes.figures-unreadable", text=text[:40]))
    return float(match["figure"]), unit


def read_yes(text: str) -> bool:
    """`yes`, `no`, and what programs write for them."""
    plain = text.strip().lower()
    if plain in ("yes", "true", "on", "1"):
        return True
    if plain in ("no", "false", "off", "0"):
        return False
    raise BadInput(phrase("wishes.yes-no-unreadable", text=text[:40]))


def read_shape(text: str) -> Shape:
    try:
        return Shape(text.strip().lower())
    except ValueError:
        raise BadInput(phrase("wishes.shape-unreadable", text=text[:40])) from None


def read_darkness(text: str) -> DarknessWish:
    try:
        return DarknessWish(text.strip().lower())
    except ValueError:
        raise BadInput(phrase("wishes.darkness-unreadable", text=text[:40])) from None


def target_text(target: Target) -> str:
    """As `alerts.sky.night.parse_target` reads it."""
    if target.kind is TargetKind.BAND and target.arc_l_deg == WINTER_ARC_L_DEG:
        return "winter"
    if target.kind is TargetKind.RADEC:
        return f"{target.name}={target.ra_deg:g},{target.dec_deg:g}"
    return target.kind.value


def read_weekdays(text: str) -> tuple[int, ...]:
    """`fri,sat`, `mon-thu` (also across the weekend: `fri-mon`), `all`; 0 is Monday."""
    if text.strip().lower() in ("all", "any", "every day"):
        return ALL_WEEK
    found: set[int] = set()
    for part in re.split(r"[,\s]+(?:and\s+)?", text.strip().replace("–", "-")):
        first, dash, last = part.partition("-")
        start, end = _weekday(first, text), _weekday(last if dash else first, text)
        found |= {(start + k) % 7 for k in range((end - start) % 7 + 1)}
    return tuple(sorted(found))


def _weekday(part: str, text: str) -> int:
    name = part.strip().lower()
    if len(name) >= 3:
        for number, known in enumerate(_WEEKDAYS):
            if known.startswith(name):
                return number
    raise BadInput(phrase("wishes.evenings-unreadable", text=text[:60]))


def weekdays_text(weekdays: Iterable[int]) -> str:
    """As `read_weekdays` reads it."""
    chosen = tuple(sorted(weekdays))
    if chosen == ALL_WEEK:
        return "all"
    runs = (f"{_DAYS[run[0]]}-{_DAYS[run[-1]]}" if len(run) > 1 else _DAYS[run[0]] for run in _runs(chosen))
    return ",".join(runs)


def weekday_phrases(weekdays: Iterable[int]) -> tuple[Phrase, ...]:
    """`Friday`, `Saturday`; `Sunday to Thursday`, across the weekend too."""
    named = [phrase("judging.weekday", number=day) for day in range(7)]
    return tuple(
        phrase("wishes.weekday-run", first=named[run[0]], last=named[run[-1]])
        if len(run) > 1
        else named[run[0]]
        for run in _runs(tuple(sorted(weekdays)))
    )


def _runs(chosen: Sequence[int]) -> list[list[int]]:
    """Three evenings or more in a row together, any other by itself; the first after a gap first."""
    start = next((i for i, day in enumerate(chosen) if (day - 1) % 7 not in chosen), 0)
    runs: list[list[int]] = []
    for day in (*chosen[start:], *chosen[:start]):
        if runs and (runs[-1][-1] + 1) % 7 == day:
            runs[-1].append(day)
        else:
            runs.append([day])
    return [part for run in runs for part in ([run] if len(run) > 2 else [[day] for day in run])]


def read_home_by(text: str) -> tuple[HomeBy, ...]:
    """`sun-thu=02:00`, or `02:00` for every evening."""
    days, equals, clock = text.rpartition("=")
    by = parse_clock(clock)
    return tuple(HomeBy(day, by) for day in (read_weekdays(days) if equals else ALL_WEEK))


def home_by_times(home_by: Iterable[HomeBy]) -> dict[time, tuple[int, ...]]:
    """The evenings of each time of day."""
    evenings: dict[time, list[int]] = {}
    for each in home_by:
        evenings.setdefault(each.by, []).append(each.weekday)
    return {by: tuple(sorted(days)) for by, days in evenings.items()}


def home_by_texts(home_by: Iterable[HomeBy]) -> list[str]:
    """As `read_home_by` reads them, one text for each time of day."""
    return [f"{weekdays_text(days)}={by:%H:%M}" for by, days in home_by_times(home_by).items()]


def read_trip(text: str) -> Trip:
    """`2027-07-01 to 2027-07-10`, `…, 30 minutes, from Lodge`: first and last evening, drive, start."""
    line = text.strip()
    match = _TRIP.fullmatch(line)
    if match is None:
        raise BadInput(phrase("wishes.trip-unreadable", line=line[:60]))
    try:
        first, last = date.fromisoformat(match["first"]), date.fromisoformat(match["last"])
    except ValueError:
        raise BadInput(phrase("wishes.trip-day-unknown", line=line[:60])) from None
    drive = timedelta(minutes=int(match["drive"])) if match["drive"] else None
    return Trip(first, last, drive, (match["start"] or "").strip())


def trip_text(trip: Trip) -> str:
    """As `read_trip` reads it."""
    drive = "" if trip.drive is None else f", {length_text(trip.drive)} minutes"
    start = f", from {trip.start}" if trip.start else ""
    return f"{trip.first} to {trip.last}{drive}{start}"


def read_quiet(text: str) -> ClockSpan | None:
    """`22:00-07:00`, or `none`."""
    return None if is_nothing(text) else parse_clock_span(text)


def quiet_text(quiet: ClockSpan | None) -> str:
    return "none" if quiet is None else str(quiet).replace("–", "-")


def read_units(text: str, known: UnitWishes) -> UnitWishes:
    """`metric`, `imperial`, or single ones over what was known: `miles,24h`."""
    units = known
    for part in filter(None, re.split(r"[,\s]+", text.strip().lower())):
        if part not in _UNITS:
            raise BadInput(phrase("wishes.unit-unreadable", part=part[:40]))
        units = replace(units, **_UNITS[part])  # type: ignore[arg-type]  # fields of UnitWishes
    return units


def units_text(units: UnitWishes) -> str:
    """As `read_units` reads it."""
    return f"{units.temperature.value},{units.distance.value},{units.clock_hours}h"
