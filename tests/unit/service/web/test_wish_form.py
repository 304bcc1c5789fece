"""The form of wishes holds all of them: who saves it unchanged loses none."""

from __future__ import annotations

from datetime import timedelta

from alerts.sky.night import SkyWishes
from alerts.wishes.fields import WISH_WORDS, read_words
from alerts.wishes.model import Wishes
from service.web.shared.forms import Form
from service.web.subscriptions.wish_form import read_wishes, wish_fields

USUAL = Wishes(sky=SkyWishes(lowest_altitude_deg=None))
OTHER = {
    "targets": ["band", "winter"],
    "shapes": ["arch"],
    "darkness": ["near"],
    "above": ["8"],
    "moon_loss": ["0.1"],
    "shortest": ["1:30"],
    "chance": ["65"],
    "take_back": ["45"],
    "wind": ["8"],
    "gust": ["12"],
    "coldest": ["-8"],
    "weekdays": ["fri-sun"],
    "home_by": ["sun=01:00"],
    "trips": ["2027-07-01 to 2027-07-10, 30 minutes, from Lodge"],
    "trips_only": ["no"],
    "drive": ["1:45"],
    "scouting": ["45"],
    "scout_by_daylight": ["yes"],
    "notice": ["3 h"],
    "days_ahead": ["4"],
    "signal_lost": ["25"],
    "most_a_week": ["3"],
    "quiet": ["22:30-06:30"],
    "clock": ["Europe/Madrid"],
    "units": ["imperial"],
}


def test_wishes_shown_and_saved_unchanged_stay_as_they_were() -> None:
    wishes = read_words(OTHER, USUAL, called=lambda word: word.flag)
    assert [word.name for word in WISH_WORDS if word.write(wishes) == word.write(USUAL)] == []
    assert wishes.drive == timedelta(minutes=105)
    shown = wish_fields(wishes)
    typed = {
        name: tuple(map(str, value)) if isinstance(value, set) else (str(value),)
        for name, value in shown.items()
        if value is not False
    }
    assert read_wishes(Form(typed), USUAL) == (wishes, {})
