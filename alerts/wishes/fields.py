"""All wishes by plain names, as data: what each is called, how it is read, written and said.

Options of the command line, files of wishes and the words of a list are made from this one table. A value
is one text or several, in the forms of `alerts.wishes.parse`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from alerts.common.errors import BadInput
from alerts.common.phrases import say
from alerts.common.time_text import say_day, say_drive, say_minutes
from alerts.common.units import in_units
from alerts.sky.night import DarknessWish, require_loss_wish
from alerts.sky.target_text import parse_target, shape_phrase, target_name
from alerts.wishes.model import ALL_WEEK, TAKE_BACK_MARGIN_PCT, Temperature, Trip, Wishes, units_of
from alerts.wishes.parse import (
    find_choice,
    home_by_texts,
    is_nothing,
    length_text,
    quiet_text,
    read_degrees,
    read_home_by,
    read_length,
    read_number,
    read_quiet,
    read_shape,
    read_speed_ms,
    read_temperature_c,
    read_trip,
    read_units,
    read_weekdays,
    read_whole,
    read_yes,
    say_weekdays,
    target_text,
    trip_text,
    units_text,
    weekdays_text,
)

Changes = Mapping[str, object]
"""Values by the field of Wishes that they go into; `sky.…` for those of its sky wishes."""
Value = str | int | float | bool | list[str]


@dataclass(frozen=True, slots=True)
class WishWord:
    """One wish. name: in a file; flag, off_flag: on the command line; form: what its value looks like.

    several: may be given more than once. read: the changes that texts make to wishes known before;
    write: the value that reads as these wishes have it; say: that value in a phrase.
    """

    name: str
    flag: str
    form: str
    help: str
    read: Callable[[Sequence[str], Wishes], Changes]
    write: Callable[[Wishes], Value]
    say: Callable[[Wishes], str]
    several: bool = False
    off_flag: str = ""


def _one(field: str, read: Callable[[str], object]) -> Callable[[Sequence[str], Wishes], Changes]:
    return lambda texts, _: {field: read(texts[-1])}


def _or_none(field: str, read: Callable[[str], object]) -> Callable[[Sequence[str], Wishes], Changes]:
    return lambda texts, _: {field: None if is_nothing(texts[-1]) else read(texts[-1])}


def _each(field: str, read: Callable[[str], Sequence[object]]) -> Callable[[Sequence[str], Wishes], Changes]:
    """All that was given together; a single `none` stands for nothing."""

    def changes(texts: Sequence[str], _: Wishes) -> Changes:
        given = [] if len(texts) == 1 and is_nothing(texts[0]) else texts
        return {field: tuple(value for text in given for value in read(text))}

    return changes


def _read_all_home_by(texts: Sequence[str], _: Wishes) -> Changes:
    """A time for some evenings goes before one for all, and a later one before an earlier."""
    given = [] if len(texts) == 1 and is_nothing(texts[0]) else texts
    found = {each.weekday: each for text in sorted(given, key=lambda text: "=" in text)
             for each in read_home_by(text)}  # fmt: skip
    return {"home_by": tuple(found[day] for day in sorted(found))}


def _read_targets(texts: Sequence[str], _: Wishes) -> Changes:
    first, *others = (parse_target(text) for text in texts)
    return {"sky.target": first, "more_targets": tuple(others)}


def _read_darkness(text: str) -> DarknessWish:
    try:
        return DarknessWish(text.strip().lower())
    except ValueError:
        raise BadInput(f"{text[:40]!r} is no darkness; write astronomical or near.") from None


def _read_lowest(text: str) -> float | None:
    return None if text.strip().lower() == "usual" else read_degrees(text)


def _read_moon(texts: Sequence[str], _: Wishes) -> Changes:
    text = texts[-1].strip().lower().removesuffix("mag").strip()
    if text == "any" or is_nothing(text):
        return {"sky.moonless": text != "any", "sky.most_loss_mag": None}
    return {"sky.moonless": False, "sky.most_loss_mag": require_loss_wish(read_number(text))}


def _write_moon(wishes: Wishes) -> Value:
    if wishes.sky.moonless:
        return "none"
    return "any" if wishes.sky.most_loss_mag is None else wishes.sky.most_loss_mag


def _say_moon(wishes: Wishes) -> str:
    if wishes.sky.moonless:
        return "the Moon down"
    loss_mag = wishes.sky.most_loss_mag
    return "any Moon" if loss_mag is None else f"a Moon that costs up to {loss_mag:g} mag"


def _read_chance(texts: Sequence[str], known: Wishes) -> Changes:
    """A named choice, or a number; a chance for go below the one to take it back brings that one down."""
    if (choice := find_choice(texts[-1])) is not None:
        return {"chance_go_pct": choice.go_pct, "chance_back_pct": choice.back_pct}
    go_pct = read_whole(texts[-1])
    return {"chance_go_pct": go_pct, "chance_back_pct": min(known.chance_back_pct, go_pct)}


def _read_units(texts: Sequence[str], known: Wishes) -> Changes:
    return {"units": read_units(texts[-1], known.units)}


def _say_targets(wishes: Wishes) -> str:
    names = ["the winter arc" if target_text(sky.target) == "winter" else target_name(sky.target)
             for sky in wishes.skies]  # fmt: skip
    return ", else ".join("darkness alone" if name == "the sky" else name for name in names)


def _say_lowest(wishes: Wishes) -> str:
    lowest_deg = wishes.sky.lowest_altitude_deg
    return "as high as is usual here" if lowest_deg is None else f"at least {lowest_deg:g}° high"


def _say_weekdays(wishes: Wishes) -> str:
    if wishes.weekdays == ALL_WEEK:
        return "any evening"
    return f"{say_weekdays(wishes.weekdays)} evenings only"


def _say_home_by(wishes: Wishes) -> str:
    said = []
    for text in home_by_texts(wishes.home_by):
        days, _, clock = text.partition("=")
        evenings = "" if days == "all" else f" after {say_weekdays(read_weekdays(days))} evenings"
        said.append(f"home by {clock}{evenings}")
    return ", ".join(said) or "home whenever"


def _say_trip(trip: Trip) -> str:
    place = f" from {trip.start}" if trip.start else ""
    drive = "" if trip.drive is None else f" ({say_minutes(trip.drive)} to drive{place})"
    return f"{say_day(trip.first)} to {say_day(trip.last)} {trip.last.year}{drive or place}"


def _say_trips(wishes: Wishes) -> str:
    return f"trips: {'; '.join(map(_say_trip, wishes.trips))}" if wishes.trips else "no trips"


def drive_words(wishes: Wishes) -> str:
    """The usual drive and where it is from."""
    return say_drive(wishes.usual_drive, is_estimate=wishes.drive_is_estimate)


def _write_drive(wishes: Wishes) -> Value:
    return "usual" if wishes.drive is None else length_text(wishes.drive)


def _read_drive(text: str) -> object:
    return None if text.strip().lower() in ("usual", "home") else read_length(text)


def _say_signal(wishes: Wishes) -> str:
    before = wishes.signal_lost_before
    return "signal all the way" if before is None else f"no signal from {say_minutes(before)} before arriving"


def _say_units(wishes: Wishes) -> str:
    units = wishes.units
    degrees = "°F" if units.temperature is Temperature.FAHRENHEIT else "°C"
    return f"{degrees}, {units.distance.value}, a {units.clock_hours}-hour clock"


def _say_go(wishes: Wishes) -> str:
    named = f" ({wishes.choice.name})" if wishes.choice else ""
    return f"go from {wishes.chance_go_pct} %{named}"


def _say_take_back(wishes: Wishes) -> str:
    if not wishes.chance_back_pct:
        return "not taken back for its chance"
    return f"taken back at {wishes.taken_back_at_pct} %"


WISH_WORDS = (
    WishWord(
        "targets", "--target", "TARGET",
        "What must be up, wanted most first: core, band, winter, none, or NAME=RA,DEC in degrees.",
        _read_targets, lambda w: [target_text(sky.target) for sky in w.skies], _say_targets, several=True,
    ),
    WishWord(
        "shapes", "--shape", "SHAPE",
        "How the Milky Way should stand: arch, leaning, column, overhead; none for any.",
        _each("shapes", lambda text: [read_shape(text)]), lambda w: [each.value for each in w.shapes],
        lambda w: f"standing as {' or '.join(say(shape_phrase(each)) for each in w.shapes)}" if w.shapes
        else "any shape", several=True,
    ),
    WishWord(
        "darkness", "--darkness", "WORD", "astronomical (Sun below −18°) or near (below −15°).",
        _one("sky.darkness", _read_darkness), lambda w: w.sky.darkness.value,
        lambda w: f"{w.sky.darkness.value} darkness",
    ),
    WishWord(
        "above", "--core-above", "DEGREES",
        "Lowest altitude of the target; usual: 10°, or lower where the core never gets there.",
        _one("sky.lowest_altitude_deg", _read_lowest),
        lambda w: "usual" if w.sky.lowest_altitude_deg is None else w.sky.lowest_altitude_deg, _say_lowest,
    ),
    WishWord(
        "moon_loss", "--moon-loss", "MAG",
        "What the Moon may cost at the target: none (it is down), 0.1, 0.3, 0.6 mag, or any.",
        _read_moon, _write_moon, _say_moon,
    ),
    WishWord(
        "shortest", "--shortest", "LENGTH", "Shortest window worth it: 45 (minutes) or 1:30.",
        _one("shortest_window", read_length), lambda w: length_text(w.shortest_window),
        lambda w: f"a window of at least {say_minutes(w.shortest_window)}",
    ),
    WishWord(
        "chance", "--chance", "CHOICE|PERCENT",
        "Chance for a go: eager (50 %), even (70 %), choosy (85 %), or a number.",
        _read_chance, lambda w: w.chance_go_pct, _say_go,
    ),
    WishWord(
        "take_back", "--take-back", "PERCENT",
        f"A go is taken back {TAKE_BACK_MARGIN_PCT} points below this chance.",
        _one("chance_back_pct", read_whole), lambda w: w.chance_back_pct,
        _say_take_back,
    ),
    WishWord(
        "wind", "--wind", "SPEED", "Most mean wind: 9 (m/s), 20 mph, 32 km/h.",
        _one("wind_limit_ms", read_speed_ms), lambda w: w.wind_limit_ms,
        lambda w: f"wind up to {w.wind_limit_ms:g} m/s",
    ),
    WishWord(
        "gust", "--gust", "SPEED", "Most gust, written the same way.",
        _one("gust_limit_ms", read_speed_ms), lambda w: w.gust_limit_ms,
        lambda w: f"gusts up to {w.gust_limit_ms:g} m/s",
    ),
    WishWord(
        "coldest", "--coldest", "DEGREES", "Lowest felt temperature: -5 (°C), 20 F, or none.",
        _or_none("coldest_c", read_temperature_c), lambda w: "none" if w.coldest_c is None else w.coldest_c,
        lambda w: "any cold" if w.coldest_c is None else f"not colder than {w.coldest_c:g} °C",
    ),
    WishWord(
        "weekdays", "--weekdays", "DAYS", "Evenings that suit: fri,sat or sun-thu, or all.",
        _one("weekdays", read_weekdays), lambda w: weekdays_text(w.weekdays), _say_weekdays,
    ),
    WishWord(
        "home_by", "--home-by", "TIME", "Home again by: 02:00, or after some evenings sun-thu=01:00; none.",
        _read_all_home_by, lambda w: home_by_texts(w.home_by), _say_home_by, several=True,
    ),
    WishWord(
        "trips", "--trip", "DATES",
        'Evenings elsewhere: "2027-07-01 to 2027-07-10, 30 minutes, from Lodge"; none.',
        _each("trips", lambda text: [read_trip(text)]), lambda w: [trip_text(each) for each in w.trips],
        _say_trips, several=True,
    ),
    WishWord(
        "trips_only", "--trips-only", "", "Whether nights of no trip count too, where there are trips.",
        _one("trips_only", read_yes), lambda w: w.trips_only,
        lambda w: "nights of a trip alone" if w.trips_only else "nights at home too",
        off_flag="--home-too",
    ),
    WishWord(
        "drive", "--drive", "LENGTH",
        "The drive, one way: 90 (minutes) or 1:30; usual: an estimate from home, 1:30 without one.",
        _one("drive", _read_drive), _write_drive, drive_words,
    ),
    WishWord(
        "scouting", "--scouting", "LENGTH", "Time on the spot before the window.",
        _one("scouting", read_length), lambda w: length_text(w.scouting),
        lambda w: f"{say_minutes(w.scouting)} to scout",
    ),
    WishWord(
        "scout_by_daylight", "--scout-by-daylight", "", "Whether to scout before sunset.",
        _one("scout_by_daylight", read_yes), lambda w: w.scout_by_daylight,
        lambda w: "scouting by daylight" if w.scout_by_daylight else "scouting in the dark will do",
        off_flag="--scout-in-the-dark",
    ),
    WishWord(
        "notice", "--notice", "LENGTH", "How long before you must leave a go is wanted: 2 h.",
        _one("notice", read_length), lambda w: length_text(w.notice),
        lambda w: f"told {say_minutes(w.notice)} before leaving",
    ),
    WishWord(
        "days_ahead", "--days-ahead", "DAYS", "How far ahead a heads-up is wanted.",
        _one("days_ahead", read_whole), lambda w: w.days_ahead,
        lambda w: f"told at most {w.days_ahead} days ahead",
    ),
    WishWord(
        "signal_lost", "--signal-lost", "LENGTH", "How long before arriving the phone goes silent; none.",
        _or_none("signal_lost_before", read_length),
        lambda w: "none" if w.signal_lost_before is None else length_text(w.signal_lost_before), _say_signal,
    ),
    WishWord(
        "most_a_week", "--most-a-week", "NUMBER", "Most alerts in seven days, warnings aside; none.",
        _or_none("most_a_week", read_whole), lambda w: "none" if w.most_a_week is None else w.most_a_week,
        lambda w: "any number of alerts" if w.most_a_week is None else f"at most {w.most_a_week} a week",
    ),
    WishWord(
        "quiet", "--quiet", "HOURS", "When nothing but a warning rings: 22:00-07:00, or none.",
        _one("quiet", read_quiet), lambda w: quiet_text(w.quiet),
        lambda w: f"quiet {w.quiet}" if w.quiet else "never quiet",
    ),
    WishWord(
        "clock", "--clock", "ZONE", "IANA zone of the clock at home; yours unless given.",
        _one("clock_zone", str.strip), lambda w: w.clock_zone,
        lambda w: f"on the clock of {w.clock_zone}" if w.clock_zone else "on the site's clock",
    ),
    WishWord(
        "units", "--units", "UNITS", "metric, imperial, or those that differ: miles,24h.",
        _read_units, lambda w: units_text(w.units), _say_units,
    ),
)  # fmt: skip
"""In the order in which people are asked."""
WORDS_BY_NAME: Mapping[str, WishWord] = {word.name: word for word in WISH_WORDS}


def read_words(
    given: Mapping[str, Sequence[str]], known: Wishes, *, called: Callable[[WishWord], str]
) -> Wishes:
    """The wishes that these texts, by name, make of those known before.

    called: how the person knows a wish, to say which one is wrong. BadInput with one sentence.
    """
    sky: dict[str, Any] = {}
    rest: dict[str, Any] = {}
    for word in WISH_WORDS:
        texts = given.get(word.name, ())
        for field, value in (_read(word, texts, known, called) if texts else {}).items():
            place, _, name = field.rpartition(".")
            (sky if place else rest)[name] = value
    return replace(known, sky=replace(known.sky, **sky), **rest)


def _read(word: WishWord, texts: Sequence[str], known: Wishes, called: Callable[[WishWord], str]) -> Changes:
    try:
        return word.read(texts, known)
    except BadInput as refusal:
        raise BadInput(f"{called(word)}: {refusal}") from None


def write_words(wishes: Wishes) -> dict[str, Value]:
    """Every wish by its name, as `read_words` reads it."""
    return {word.name: word.write(wishes) for word in WISH_WORDS}


def say_words(wishes: Wishes, usual: Wishes) -> tuple[str, ...]:
    """A phrase for each wish that isn't as usual, in the units wished."""
    units = units_of(wishes)
    return tuple(
        in_units(word.say(wishes), units) for word in WISH_WORDS if word.write(wishes) != word.write(usual)
    )
