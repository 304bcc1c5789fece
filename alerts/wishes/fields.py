"""All wishes by plain names, as data: what each is called, how it is read, written and said.

Options of the command line, files of wishes and the words of a list are made from this one table. A value
is one text or several, in the forms of `alerts.wishes.parse`. What stands in a command's help for a wish is
the catalogue's `wishes.help-NAME`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import Any

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, Reader, phrase, say
from alerts.sky.night import parse_target, require_loss_wish, shape_phrase, target_phrase
from alerts.wishes.model import ALL_WEEK, TAKE_BACK_MARGIN_PCT, Trip, Wishes, units_of
from alerts.wishes.parse import (
    NOTHING,
    find_choice,
    home_by_texts,
    home_by_times,
    is_nothing,
    length_text,
    quiet_text,
    read_darkness,
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
    target_text,
    trip_text,
    units_text,
    weekday_phrases,
    weekdays_text,
)

Changes = Mapping[str, object]
"""Values by the field of Wishes that they go into; `sky.…` for those of its sky wishes."""
Value = str | int | float | bool | list[str]


@dataclass(frozen=True, slots=True)
class WishWord:
    """One wish. name: in a file; flag, off_flag: on the command line; form: what its value looks like.

    several: may be given more than once. read: the changes that texts make to wishes known before;
    write: the value that reads as these wishes have it; say: that value as a clause, for a reader in the
    units wished.
    """

    name: str
    flag: str
    form: str
    read: Callable[[Sequence[str], Wishes], Changes]
    write: Callable[[Wishes], Value]
    say: Callable[[Wishes], Phrase]
    several: bool = False
    off_flag: str = ""

    @property
    def help(self) -> str:
        return say(f"wishes.help-{self.name.replace('_', '-')}", margin_pct=TAKE_BACK_MARGIN_PCT)


def _one(field: str, read: Callable[[str], object]) -> Callable[[Sequence[str], Wishes], Changes]:
    return lambda texts, _: {field: read(texts[-1])}


def _or_none(
    field: str, read: Callable[[str], object], *none: str
) -> Callable[[Sequence[str], Wishes], Changes]:
    """none: the words for it."""
    return lambda texts, _: {field: None if texts[-1].strip().lower() in none else read(texts[-1])}


def _each(field: str, read: Callable[[str], object]) -> Callable[[Sequence[str], Wishes], Changes]:
    """All that was given together; a single `none` stands for nothing."""
    return lambda texts, _: {
        field: () if len(texts) == 1 and is_nothing(texts[0]) else tuple(read(text) for text in texts)
    }


def _read_home_by(texts: Sequence[str], _: Wishes) -> Changes:
    """A time for some evenings goes before one for all, and a later one before an earlier."""
    given = [] if len(texts) == 1 and is_nothing(texts[0]) else texts
    found = {each.weekday: each for text in sorted(given, key=lambda text: "=" in text)
             for each in read_home_by(text)}  # fmt: skip
    return {"home_by": tuple(found[day] for day in sorted(found))}


def _read_targets(texts: Sequence[str], _: Wishes) -> Changes:
    first, *others = (parse_target(text) for text in texts)
    return {"sky.target": first, "more_targets": tuple(others)}


def _say_targets(wishes: Wishes) -> Phrase:
    own = {"winter": phrase("wishes.winter-arc"), "none": phrase("wishes.darkness-alone")}
    targets = [sky.target for sky in wishes.skies]
    *wanted, last = (own.get(target_text(target)) or target_phrase(target) for target in targets)
    return reduce(
        lambda others, each: phrase("wishes.target-else", target=each, others=others), reversed(wanted), last
    )


def _read_moon(texts: Sequence[str], _: Wishes) -> Changes:
    text = texts[-1].strip().lower().removesuffix("mag").strip()
    if text == "any" or is_nothing(text):
        return {"sky.moonless": text != "any", "sky.most_loss_mag": None}
    return {"sky.moonless": False, "sky.most_loss_mag": require_loss_wish(read_number(text))}


def _write_moon(wishes: Wishes) -> str | float:
    if wishes.sky.moonless:
        return "none"
    return "any" if wishes.sky.most_loss_mag is None else wishes.sky.most_loss_mag


def _read_chance(texts: Sequence[str], known: Wishes) -> Changes:
    """A named choice, or a number; a chance for go below the one to take it back brings that one down."""
    if (choice := find_choice(texts[-1])) is not None:
        return {"chance_go_pct": choice.go_pct, "chance_back_pct": choice.back_pct}
    go_pct = read_whole(texts[-1])
    return {"chance_go_pct": go_pct, "chance_back_pct": min(known.chance_back_pct, go_pct)}


def _say_home_by(wishes: Wishes) -> Phrase:
    clauses = tuple(
        phrase("wishes.home-by-all", by=by)
        if days == ALL_WEEK
        else phrase("wishes.home-by-days", by=by, days=weekday_phrases(days))
        for by, days in home_by_times(wishes.home_by).items()
    )
    return phrase("wishes.home-by", clauses=clauses) if clauses else phrase("wishes.home-whenever")


def _say_trip(trip: Trip) -> Phrase:
    days = {"first": trip.first, "last": trip.last, "year": trip.last.year}
    if trip.drive is None and not trip.start:
        return phrase("wishes.trip", **days)
    if trip.drive is None:
        return phrase("wishes.trip-from", **days, start=trip.start)
    if not trip.start:
        return phrase("wishes.trip-drive", **days, drive=trip.drive)
    return phrase("wishes.trip-drive-from", **days, drive=trip.drive, start=trip.start)


def drive_phrase(wishes: Wishes) -> Phrase:
    """The usual drive and where it is from."""
    drive = wishes.usual_drive
    return phrase("wishes.drive", drive=drive.length, is_estimate=drive.is_estimate)


def _say_units(wishes: Wishes) -> Phrase:
    units = wishes.units
    temperature = phrase("wishes.temperature", scale=units.temperature)
    distance = phrase("wishes.distance", distance=units.distance)
    return phrase("wishes.units", temperature=temperature, distance=distance, clock_hours=units.clock_hours)


WISH_WORDS = (
    WishWord(
        "targets", "--target", "TARGET",
        _read_targets, lambda w: [target_text(sky.target) for sky in w.skies], _say_targets, several=True,
    ),
    WishWord(
        "shapes", "--shape", "SHAPE",
        _each("shapes", read_shape), lambda w: [each.value for each in w.shapes],
        lambda w: phrase("wishes.shapes", shapes=tuple(map(shape_phrase, w.shapes))) if w.shapes
        else phrase("wishes.any-shape"), several=True,
    ),
    WishWord(
        "darkness", "--darkness", "WORD",
        _one("sky.darkness", read_darkness), lambda w: w.sky.darkness.value,
        lambda w: phrase("wishes.darkness", darkness=w.sky.darkness),
    ),
    WishWord(
        "above", "--core-above", "DEGREES", _or_none("sky.lowest_altitude_deg", read_degrees, "usual"),
        lambda w: "usual" if w.sky.lowest_altitude_deg is None else w.sky.lowest_altitude_deg,
        lambda w: phrase("wishes.lowest", lowest_deg=w.sky.lowest_altitude_deg),
    ),
    WishWord(
        "moon_loss", "--moon-loss", "MAG",
        _read_moon, _write_moon, lambda w: phrase("wishes.moon", loss=_write_moon(w)),
    ),
    WishWord(
        "shortest", "--shortest", "LENGTH",
        _one("shortest_window", read_length), lambda w: length_text(w.shortest_window),
        lambda w: phrase("wishes.shortest", length=w.shortest_window),
    ),
    WishWord(
        "chance", "--chance", "CHOICE|PERCENT", _read_chance, lambda w: w.chance_go_pct,
        lambda w: phrase("wishes.go-choice", go_pct=w.chance_go_pct, choice=w.choice.name) if w.choice
        else phrase("wishes.go", go_pct=w.chance_go_pct),
    ),
    WishWord(
        "take_back", "--take-back", "PERCENT",
        _one("chance_back_pct", read_whole), lambda w: w.chance_back_pct,
        lambda w: phrase("wishes.take-back", back_pct=w.chance_back_pct, at_pct=w.taken_back_at_pct),
    ),
    WishWord(
        "wind", "--wind", "SPEED", _one("wind_limit_ms", read_speed_ms), lambda w: w.wind_limit_ms,
        lambda w: phrase("wishes.wind", limit_ms=w.wind_limit_ms),
    ),
    WishWord(
        "gust", "--gust", "SPEED", _one("gust_limit_ms", read_speed_ms), lambda w: w.gust_limit_ms,
        lambda w: phrase("wishes.gust", limit_ms=w.gust_limit_ms),
    ),
    WishWord(
        "coldest", "--coldest", "DEGREES", _or_none("coldest_c", read_temperature_c, *NOTHING),
        lambda w: "none" if w.coldest_c is None else w.coldest_c,
        lambda w: phrase("wishes.any-cold") if w.coldest_c is None
        else phrase("wishes.coldest", coldest_c=w.coldest_c),
    ),
    WishWord(
        "weekdays", "--weekdays", "DAYS",
        _one("weekdays", read_weekdays), lambda w: weekdays_text(w.weekdays),
        lambda w: phrase("wishes.any-evening") if w.weekdays == ALL_WEEK
        else phrase("wishes.weekdays", days=weekday_phrases(w.weekdays)),
    ),
    WishWord(
        "home_by", "--home-by", "TIME",
        _read_home_by, lambda w: home_by_texts(w.home_by), _say_home_by, several=True,
    ),
    WishWord(
        "trips", "--trip", "DATES",
        _each("trips", read_trip), lambda w: [trip_text(each) for each in w.trips],
        lambda w: phrase("wishes.trips", trips=tuple(map(_say_trip, w.trips))) if w.trips
        else phrase("wishes.no-trips"), several=True,
    ),
    WishWord(
        "trips_only", "--trips-only", "", _one("trips_only", read_yes), lambda w: w.trips_only,
        lambda w: phrase("wishes.trips-only", trips_only=w.trips_only), off_flag="--home-too",
    ),
    WishWord(
        "drive", "--drive", "LENGTH", _or_none("drive", read_length, "usual", "home"),
        lambda w: "usual" if w.drive is None else length_text(w.drive), drive_phrase,
    ),
    WishWord(
        "scouting", "--scouting", "LENGTH",
        _one("scouting", read_length), lambda w: length_text(w.scouting),
        lambda w: phrase("wishes.scouting", scouting=w.scouting),
    ),
    WishWord(
        "scout_by_daylight", "--scout-by-daylight", "",
        _one("scout_by_daylight", read_yes), lambda w: w.scout_by_daylight,
        lambda w: phrase("wishes.scout", by_daylight=w.scout_by_daylight), off_flag="--scout-in-the-dark",
    ),
    WishWord(
        "notice", "--notice", "LENGTH", _one("notice", read_length), lambda w: length_text(w.notice),
        lambda w: phrase("wishes.notice", notice=w.notice),
    ),
    WishWord(
        "days_ahead", "--days-ahead", "DAYS", _one("days_ahead", read_whole), lambda w: w.days_ahead,
        lambda w: phrase("wishes.days-ahead", days=w.days_ahead),
    ),
    WishWord(
        "signal_lost", "--signal-lost", "LENGTH", _or_none("signal_lost_before", read_length, *NOTHING),
        lambda w: "none" if w.signal_lost_before is None else length_text(w.signal_lost_before),
        lambda w: phrase("wishes.signal", before=w.signal_lost_before),
    ),
    WishWord(
        "most_a_week", "--most-a-week", "NUMBER", _or_none("most_a_week", read_whole, *NOTHING),
        lambda w: "none" if w.most_a_week is None else w.most_a_week,
        lambda w: phrase("wishes.most-a-week", most=w.most_a_week),
    ),
    WishWord(
        "quiet", "--quiet", "HOURS", _one("quiet", read_quiet), lambda w: quiet_text(w.quiet),
        lambda w: phrase("wishes.quiet", begins=w.quiet.begins, ends=w.quiet.ends) if w.quiet
        else phrase("wishes.never-quiet"),
    ),
    WishWord(
        "clock", "--clock", "ZONE", _one("clock_zone", str.strip), lambda w: w.clock_zone,
        lambda w: phrase("wishes.clock", zone=w.clock_zone) if w.clock_zone else phrase("wishes.site-clock"),
    ),
    WishWord(
        "units", "--units", "UNITS", lambda texts, known: {"units": read_units(texts[-1], known.units)},
        lambda w: units_text(w.units), _say_units,
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
        if not texts:
            continue
        try:
            changes = word.read(texts, known)
        except BadInput as refusal:
            raise BadInput(phrase("wishes.refused", wish=called(word), refusal=refusal.args[0])) from None
        for field, value in changes.items():
            place, _, name = field.rpartition(".")
            (sky if place else rest)[name] = value
    return replace(known, sky=replace(known.sky, **sky), **rest)


def write_words(wishes: Wishes) -> dict[str, Value]:
    """Every wish by its name, as `read_words` reads it."""
    return {word.name: word.write(wishes) for word in WISH_WORDS}


def say_words(wishes: Wishes, usual: Wishes) -> tuple[str, ...]:
    """A clause for each wish that isn't as usual, in the units wished."""
    reader = Reader(units=units_of(wishes))
    return tuple(
        say(word.say(wishes), reader) for word in WISH_WORDS if word.write(wishes) != word.write(usual)
    )
