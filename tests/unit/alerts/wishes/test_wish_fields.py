"""Wishes by plain names: read, written and said, one by one and all together."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.clock_times import ClockSpan
from alerts.common.errors import BadInput
from alerts.common.phrases import say
from alerts.sky.night import WINTER_ARC_L_DEG, DarknessWish, Shape, SkyWishes, Target, TargetKind
from alerts.wishes.fields import WISH_WORDS, WORDS_BY_NAME, read_words, say_words, write_words
from alerts.wishes.model import ALL_WEEK, Distance, HomeBy, Temperature, Trip, UnitWishes, Wishes
from alerts.wishes.parse import (
    read_length,
    read_speed_ms,
    read_temperature_c,
    read_weekdays,
    weekday_phrases,
    weekdays_text,
)

USUAL = Wishes(sky=SkyWishes(lowest_altitude_deg=None))
FRIDAYS_AT_TWO = (HomeBy(4, time(2)),)
BAND, WINTER = Target(TargetKind.BAND), Target(TargetKind.BAND, arc_l_deg=WINTER_ARC_L_DEG)
LODGE = Trip(date(2027, 7, 1), date(2027, 7, 10), timedelta(minutes=30), "Lodge")


def read(known: Wishes = USUAL, **texts: str | list[str]) -> Wishes:
    given = {name: [value] if isinstance(value, str) else value for name, value in texts.items()}
    return read_words(given, known, called=lambda word: word.flag)


@pytest.mark.parametrize(
    ("name", "texts", "expected"),
    [
        ("targets", ["band", "core"], {"sky": replace(USUAL.sky, target=BAND), "more_targets": (Target(),)}),
        ("targets", ["winter"], {"sky": replace(USUAL.sky, target=WINTER)}),
        ("shapes", ["arch", "column"], {"shapes": (Shape.ARCH, Shape.COLUMN)}),
        ("shapes", ["none"], {}),
        ("darkness", ["near"], {"sky": replace(USUAL.sky, darkness=DarknessWish.NEAR)}),
        ("above", ["7.5"], {"sky": replace(USUAL.sky, lowest_altitude_deg=7.5)}),
        ("above", ["usual"], {}),
        ("moon_loss", ["none"], {}),
        ("moon_loss", ["0.3"], {"sky": replace(USUAL.sky, moonless=False, most_loss_mag=0.3)}),
        ("moon_loss", ["any"], {"sky": replace(USUAL.sky, moonless=False)}),
        ("shortest", ["1:30"], {"shortest_window": timedelta(minutes=90)}),
        ("chance", ["60"], {"chance_go_pct": 60}),
        ("chance", ["40 %"], {"chance_go_pct": 40, "chance_back_pct": 40}),
        ("chance", ["eager"], {"chance_go_pct": 50, "chance_back_pct": 30}),
        ("chance", [" Choosy "], {"chance_go_pct": 85, "chance_back_pct": 65}),
        ("chance", ["even"], {}),
        ("take_back", ["30"], {"chance_back_pct": 30}),
        ("wind", ["20 mph"], {"wind_limit_ms": 8.9}),
        ("gust", ["45 km/h"], {"gust_limit_ms": 12.5}),
        ("coldest", ["−5"], {"coldest_c": -5.0}),
        ("coldest", ["14 F"], {"coldest_c": -10.0}),
        ("weekdays", ["fri-sun"], {"weekdays": (4, 5, 6)}),
        ("home_by", ["fri=02:00"], {"home_by": FRIDAYS_AT_TWO}),
        ("home_by", ["none"], {}),
        ("trips", ["2027-07-01 to 2027-07-10, 30 minutes, from Lodge"], {"trips": (LODGE,)}),
        ("trips_only", ["no"], {"trips_only": False}),
        ("drive", ["2 h"], {"drive": timedelta(hours=2)}),
        ("scouting", ["45"], {"scouting": timedelta(minutes=45)}),
        ("scout_by_daylight", ["yes"], {"scout_by_daylight": True}),
        ("notice", ["2 h 30 min"], {"notice": timedelta(minutes=150)}),
        ("days_ahead", ["3"], {"days_ahead": 3}),
        ("signal_lost", ["25"], {"signal_lost_before": timedelta(minutes=25)}),
        ("most_a_week", ["2"], {"most_a_week": 2}),
        ("quiet", ["23:00-06:30"], {"quiet": ClockSpan(time(23), time(6, 30))}),
        ("quiet", ["none"], {"quiet": None}),
        ("clock", ["Europe/Madrid"], {"clock_zone": "Europe/Madrid"}),
        ("units", ["imperial"], {"units": UnitWishes(Temperature.FAHRENHEIT, Distance.MILES, 12)}),
        ("units", ["miles,12h"], {"units": UnitWishes(distance=Distance.MILES, clock_hours=12)}),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_a_wish_is_read_written_back_and_said(name: str, texts: list[str], expected: object) -> None:
    wishes = read(**{name: texts})
    assert wishes == replace(USUAL, **expected)  # type: ignore[arg-type]  # fields by name
    written = {key: list(map(str, value)) if isinstance(value, list) else [str(value)]
               for key, value in write_words(wishes).items()}  # fmt: skip
    assert read_words({key: texts or ["none"] for key, texts in written.items()}, USUAL, called=str) == wishes
    said = say_words(wishes, USUAL)
    assert len(said) == len([word for word in WISH_WORDS if word.write(wishes) != word.write(USUAL)])
    assert bool(said) == (wishes != USUAL)


def test_a_time_for_all_evenings_gives_way_to_one_for_some() -> None:
    wishes = read(home_by=["sun-thu=01:00", "03:00"])
    assert {each.weekday: each.by.hour for each in wishes.home_by} == {
        **dict.fromkeys(ALL_WEEK, 1),
        4: 3,
        5: 3,
    }


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("targets", "mars", "--target: 'mars' is no target"),
        ("shapes", "ring", "--shape: 'ring' is no shape of the Milky Way; there are arch"),
        ("darkness", "pitch", "--darkness: 'pitch' is no darkness; write astronomical or near"),
        ("above", "95", "--core-above: '95' is no height here"),
        ("moon_loss", "9", "--moon-loss: the loss accepted must lie above 0"),
        ("shortest", "long", "--shortest: 'long' isn't understood; write it in figures, such as 90"),
        ("shortest", "25:00", "shortest window must lie between 0 and 24 hours, got 25 h"),
        ("chance", "often", "--chance: 'often' isn't understood; write a whole number"),
        ("chance", "120", "chance"),
        ("take_back", "80", "the chance to take a go back must not be above the chance for a go"),
        ("wind", "9 furlongs", "--wind: '9 furlongs' isn't understood; write it in figures, or with m/s"),
        ("wind", "0", "the wind limit must lie above 0"),
        ("coldest", "-120", "the coldest must lie between -90 and 40"),
        ("weekdays", "caturday", "--weekdays: 'caturday' names no evenings; write fri,sat"),
        ("home_by", "late", "--home-by: 'late' is no time of day; write it as 22:00"),
        ("trips", "July", "--trip: 'July' is no trip; write 2027-07-01 to"),
        ("trips", "2027-07-10 to 2027-07-01", "--trip: a trip must end after it begins"),
        ("trips", "2027-02-30 to 2027-03-01", "isn't in the calendar"),
        ("days_ahead", "30", "days ahead must lie between 0 and 15"),
        ("most_a_week", "0", "most a week must lie between 1 and 100"),
        ("quiet", "22:00", "--quiet: '22:00' is no span of the day"),
        ("quiet", "22:00-22:00", "--quiet: a span from 22:00 to 22:00 has no length"),
        ("clock", "Atlantis", "'Atlantis' is no time zone we know"),
        ("units", "stones", "--units: 'stones' is no unit here"),
        ("scout_by_daylight", "perhaps", "--scout-by-daylight: 'perhaps' is neither yes nor no"),
    ],
)
def test_a_value_that_can_not_be_used_is_one_sentence_that_says_what_can(
    name: str, text: str, says: str
) -> None:
    with pytest.raises(BadInput) as refusal:
        read(**{name: text})
    assert says in str(refusal.value)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    ("text", "days", "said"),
    [
        ("fri,sat", (4, 5), "Friday and Saturday"),
        ("sun-thu", (0, 1, 2, 3, 6), "Sunday to Thursday"),
        ("Monday, wed and Friday", (0, 2, 4), "Monday, Wednesday and Friday"),
        ("sat", (5,), "Saturday"),
        ("all", ALL_WEEK, "Monday to Sunday"),
    ],
)
def test_evenings_are_read_and_said_across_the_weekend(text: str, days: tuple[int, ...], said: str) -> None:
    assert read_weekdays(text) == days
    assert say("wishes.weekdays", days=weekday_phrases(days)) == f"{said} evenings only"


@given(st.sets(st.integers(0, 6), min_size=1).map(lambda days: tuple(sorted(days))))
def test_any_evenings_are_written_as_they_are_read(days: tuple[int, ...]) -> None:
    assert read_weekdays(weekdays_text(days)) == days


@given(st.integers(0, 24 * 60))
def test_a_length_reads_the_same_in_minutes_and_by_the_clock(minutes: int) -> None:
    length = timedelta(minutes=minutes)
    hours, rest = divmod(minutes, 60)
    texts = (f"{minutes}", f"{hours}:{rest:02}", f"{hours} h {rest} min", f"{hours}h{rest}min")
    assert {read_length(text) for text in texts} == {length}


@pytest.mark.parametrize(
    ("text", "metric"), [("9", 9.0), ("20 mph", 8.9), ("36 km/h", 10.0), ("10kn", 5.1), ("9,5", 9.5)]
)
def test_speeds_are_read_in_the_units_that_people_use(text: str, metric: float) -> None:
    """Figures: 1 mile = 1609.344 m, 1 nautical mile = 1852 m (by definition)."""
    assert read_speed_ms(text) == metric


@pytest.mark.parametrize(("text", "celsius"), [("32 F", 0.0), ("-40 °F", -40.0), ("-3.5", -3.5)])
def test_temperatures_are_read_in_either_scale(text: str, celsius: float) -> None:
    assert read_temperature_c(text) == celsius


@pytest.mark.parametrize(
    ("limit", "said"),
    [("45", "taken back at 40 %"), ("3", "taken back at 0 %"), ("0", "not taken back for its chance")],
)
def test_the_limit_to_take_back_is_said_as_the_chance_that_does(limit: str, said: str) -> None:
    assert said in say_words(read(take_back=limit), USUAL)


def test_wishes_are_said_in_the_units_wished() -> None:
    said = say_words(read(wind="8.9", coldest="-10", units="imperial"), USUAL)
    assert "wind up to 20 mph" in said
    assert "not colder than 14 °F" in said


def test_every_wish_has_a_name_a_flag_and_a_help_of_its_own() -> None:
    assert len(WORDS_BY_NAME) == len(WISH_WORDS)
    assert len({word.flag for word in WISH_WORDS}) == len(WISH_WORDS)
    assert all(word.help.endswith(".") for word in WISH_WORDS)
