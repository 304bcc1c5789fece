"""Figures and times as a person wishes to read them, each wish by itself."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from icalendar import Calendar

from alerts.briefing.calendar import CalendarEntry, build_calendar
from alerts.briefing.facts import Briefing
from alerts.briefing.payload import build_payload
from alerts.briefing.render import render_mail
from alerts.common.phrases import Reader, say
from alerts.common.units import Units, in_units
from alerts.notifying.model import AlertKind
from alerts.wishes.model import Distance, Temperature, UnitWishes, Wishes, units_of
from tests.unit.alerts.briefing.briefing_samples import GO, chat_text
from tests.unit.alerts.briefing.drawn_samples import pictures_of
from tests.unit.alerts.briefing.sample_nights import facts_of
from tests.unit.alerts.briefing.test_pictures import texts_of

ON_12_HOURS = Units(clock_hours=12)
TWENTY_FOUR = re.compile(r"\b\d\d:\d\d\b(?! [ap]m)")
MESSAGE_ID = "msg_0123456789abcdefghjkmnpqrs"


def message(units: Units, name: str = "july", kind: AlertKind = AlertKind.GO) -> Briefing:
    facts = replace(facts_of(name, kind), fork="leave by 18:10 either way; decide at 20:30: East 74 %")
    return Briefing(message_id=MESSAGE_ID, alerts=(facts,), units=units)


@pytest.mark.parametrize(
    ("wished", "word", "temperature", "distance"),
    [
        (UnitWishes(), "metric", "−4 °C", "41 km"),
        (UnitWishes(Temperature.FAHRENHEIT, Distance.MILES, 12), "imperial", "25 °F", "25 miles"),
        (UnitWishes(distance=Distance.MILES), "mixed", "−4 °C", "25 miles"),
        (UnitWishes(Temperature.FAHRENHEIT), "mixed", "25 °F", "41 km"),
    ],
    ids=["metric", "imperial", "celsius and miles", "fahrenheit and kilometres"],
)
def test_each_wish_counts_by_itself(wished: UnitWishes, word: str, temperature: str, distance: str) -> None:
    units = units_of(Wishes(units=wished))
    assert units.word == word
    reader = Reader(units=units)
    assert temperature in say("briefing.pack-clothes", reader, cold="bitter", felt_c=-4)
    town = {"town": "Teruel", "direction": "east", "bearing_deg": 81}
    assert distance in say("briefing.town", reader, away_km=41, **town)
    assert units.clock_hours == wished.clock_hours
    assert build_payload(message(units))["data"]["units"] == word  # type: ignore[index]


@pytest.mark.parametrize(
    ("text", "turned"),
    [
        ("after 23:00", "after 11:00 pm"),
        ("open 06:00–21:00", "open 6:00 am–9:00 pm"),
        ("00:05 and 12:00", "12:05 am and 12:00 pm"),
        ("at 10:30 pm already", "at 10:30 pm already"),
        ("2027-07-03T21:32:05Z", "2027-07-03T21:32:05Z"),
        ("a ratio of 25:61", "a ratio of 25:61"),
    ],
)
def test_times_in_our_own_sentences_are_turned_once(text: str, turned: str) -> None:
    assert in_units(text, ON_12_HOURS) == turned
    assert in_units(in_units(text, ON_12_HOURS), ON_12_HOURS) == turned
    assert in_units(text, Units.METRIC) == text


@pytest.mark.parametrize("kind", AlertKind)
@pytest.mark.parametrize("name", ["spring-arch", "july", "september-column", "southern-winter"])
def test_nobody_on_a_12_hour_clock_reads_another(name: str, kind: AlertKind) -> None:
    briefing = message(ON_12_HOURS, name, kind)
    mail = render_mail(briefing)
    for said in (
        mail.subject,
        mail.text,
        re.sub(r"<style>.*?</style>", "", mail.html),
        chat_text(briefing),
    ):
        assert TWENTY_FOUR.findall(said) == []
    entry = CalendarEntry(facts=briefing.alerts[0], key="x", sequence=0, units=ON_12_HOURS)
    calendar = Calendar.from_ical(build_calendar([entry], stamped_at=GO.decided_at))
    for event in calendar.walk("VEVENT"):
        assert TWENTY_FOUR.findall(str(event["DESCRIPTION"])) == []


def test_the_pictures_are_on_the_same_clock() -> None:
    drawn = pictures_of("july", units=ON_12_HOURS)
    for picture in drawn.values():
        assert TWENTY_FOUR.findall(" ".join([picture.alt, *texts_of(picture)])) == []
    shown = texts_of(drawn["night"])
    assert {"10 pm", "11", "12 am", "1", "window 11:33 pm – 3:10 am"} <= set(shown)
    assert "Through a 20 mm at 1:27 am" in texts_of(drawn["view"])


def test_the_evening_stays_a_table_on_either_clock() -> None:
    for units in (Units.METRIC, ON_12_HOURS):
        lines = render_mail(message(units)).text.split("The evening\n")[1].split("\n\n")[0].splitlines()
        assert len({re.match(r"(?:\w{3} )?[\d:]+(?: [ap]m)? +", line).end() for line in lines}) == 1  # type: ignore[union-attr]
