"""Subscriptions as a person types them: every wish an option, files of wishes, and changing one's mind."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
import time_machine

from alerts.wishes.fields import WORDS_BY_NAME
from alerts.wishes.model import DEFAULT_WISHES
from service.cli.options import read_wish_file
from tests.acceptance.conftest import Ran, Run

README = Path(__file__).parents[2] / "README.md"
FLAT = ("site", "add", "Windpump Flat", "--at", "40.31,-1.42", "--elevation", "1180")
ME = ("--email", "you@example.org", "--mine")
EVERY_WISH = (
    "--target", "core", "--target", "band", "--shape", "arch", "--shape", "column", "--darkness", "near",
    "--core-above", "8", "--moon-loss", "0.3", "--shortest", "1:30", "--chance", "65", "--take-back", "40",
    "--wind", "7", "--gust", "45 km/h", "--coldest", "-8", "--weekdays", "fri-sun", "--home-by", "03:00",
    "--home-by", "sun=01:00", "--trip", "2027-07-01 to 2027-07-10, 30 minutes, from Lodge", "--home-too",
    "--drive", "2 h", "--scouting", "90", "--scout-by-daylight", "--notice", "3 h", "--days-ahead", "4",
    "--signal-lost", "25", "--most-a-week", "2", "--quiet", "23:30-06:30", "--clock", "Europe/London",
    "--units", "miles,12h",
)  # fmt: skip
THEIR_WORDS: dict[str, Any] = {
    "targets": ["core", "band"],
    "shapes": ["arch", "column"],
    "darkness": "near",
    "above": 8.0,
    "moon_loss": 0.3,
    "shortest": "90",
    "chance": 65,
    "take_back": 40,
    "wind": 7.0,
    "gust": 12.5,
    "coldest": -8.0,
    "weekdays": "fri-sun",
    "home_by": ["mon-sat=03:00", "sun=01:00"],
    "trips": ["2027-07-01 to 2027-07-10, 30 minutes, from Lodge"],
    "trips_only": False,
    "drive": "120",
    "scouting": "90",
    "scout_by_daylight": True,
    "notice": "180",
    "days_ahead": 4,
    "signal_lost": "25",
    "most_a_week": 2,
    "quiet": "23:30-06:30",
    "clock": "Europe/London",
    "units": "celsius,miles,12h",
}
TOML = """
targets = ["core", "band"]
shapes = ["arch", "column"]
darkness = "near"
above = 8
moon_loss = 0.3
shortest = "1:30"
chance = 65
take_back = 40
wind = 7
gust = "45 km/h"
coldest = -8
weekdays = "fri-sun"
trips = ["2027-07-01 to 2027-07-10, 30 minutes, from Lodge"]
trips_only = false
drive = "2 h"
scouting = 90
scout_by_daylight = true
notice = "3 h"
days_ahead = 4
signal_lost = 25
most_a_week = 2
quiet = "23:30-06:30"
clock = "Europe/London"
units = "miles,12h"

[home_by]
mon-sat = 03:00:00
sun = "01:00"
"""


def listed(run: Run) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(run("subscriptions", "--json").out)
    return found


@pytest.fixture
def flat(run: Run) -> Run:
    assert run(*FLAT).code == 0
    return run


def test_every_wish_is_an_option_and_is_listed_in_plain_words(flat: Run) -> None:
    ran = flat("subscribe", "Windpump Flat", *ME, *EVERY_WISH, "--kit", "full frame 20mm f/1.8")
    assert ran.code == 0, ran.err
    assert "Wishes: the core, else the Milky Way; standing as an arch or an upright column" in ran.out
    assert "nights of the last 12 months had the sky for it" in ran.out
    (mine,) = listed(flat)
    assert mine["wishes"] == THEIR_WORDS
    assert mine["kit"] == "full frame 20mm f/1.8"
    said = flat("subscriptions").out
    for phrase in (
        "near darkness",
        "a Moon that costs up to 0.3 mag",
        "go from 65 %",
        "not colder than −8 °C",
        "Friday to Sunday evenings only",
        "home by 1:00 am after Sunday evenings",
        "30 min to drive from Lodge",
        "at most 2 a week",
        "quiet 11:30 pm–6:30 am",
        "Kit: full frame 20mm f/1.8",
    ):
        assert phrase in said


def test_the_usual_wishes_are_passed_over_in_silence(flat: Run) -> None:
    ran = flat("subscribe", "Windpump Flat", *ME)
    assert "Wishes:" not in ran.out
    assert "Wishes:" not in flat("subscriptions").out
    assert listed(flat)[0]["differs"] == []


@pytest.mark.parametrize("form", ["toml", "json"])
def test_a_file_of_wishes_says_the_same_as_the_options(flat: Run, tmp_path: Path, form: str) -> None:
    file = tmp_path / f"mine.{form}"
    file.write_text(TOML if form == "toml" else json.dumps(THEIR_WORDS), encoding="utf-8")
    ran = flat("subscribe", "Windpump Flat", *ME, "--wishes", str(file))
    assert ran.code == 0, ran.err
    assert listed(flat)[0]["wishes"] == THEIR_WORDS
    assert flat("subscription", "change", "1", "--wishes", str(file), "--chance", "70").code == 0
    assert listed(flat)[0]["wishes"] == {**THEIR_WORDS, "chance": 70}


def test_what_is_listed_is_a_file_of_wishes(flat: Run, tmp_path: Path) -> None:
    flat("subscribe", "Windpump Flat", *ME, "--chance", "55", "--quiet", "none")
    file = tmp_path / "mine.json"
    file.write_text(json.dumps(listed(flat)[0]["wishes"]), encoding="utf-8")
    flat("subscribe", "Windpump Flat", "--email", "two@example.org", "--wishes", str(file))
    first, second = listed(flat)
    assert first["wishes"] == second["wishes"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("chance = ", "can't be read as TOML"),
        ("luck = 1", "it doesn't know luck; it knows targets, shapes"),
        ("chance = 'often'", "chance: 'often' isn't understood"),
        ("chance = 2027-07-01T10:00:00Z", "isn't understood"),
        ("drive = [[1]]", "drive is a text, a number or a list of them"),
        ("chance_go_pct = 'x'", "chance_go_pct"),
    ],
    ids=["cut off", "unknown", "no number", "a moment", "nested", "stored form"],
)
def test_a_file_that_holds_no_wishes_is_refused_in_one_sentence(
    flat: Run, tmp_path: Path, text: str, says: str
) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(text, encoding="utf-8")
    assert says in refused(flat("subscribe", "Windpump Flat", *ME, "--wishes", str(file)))
    assert listed(flat) == []


def refused(ran: Ran) -> str:
    assert ran.code != 0
    assert "Traceback" not in ran.err
    return ran.err


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("--shape", "ring"), "--shape: 'ring' is no shape"),
        (("--chance", "40", "--take-back", "60"), "must not be above the chance for a go"),
        (("--target", "none", "--shape", "arch"), "shapes are the Milky Way's"),
        (("--target", "core", "--target", "core"), "a target is named twice"),
        (("--quiet", "22-7"), "--quiet: '22' is no time of day"),
        (("--trip", "next week"), "--trip: 'next week' is no trip"),
        (("--kit", "a very good camera"), "isn't understood as kit"),
        (("--wishes", "nowhere.toml"), "nowhere.toml"),
    ],
    ids=lambda value: " ".join(value)[:40] if isinstance(value, tuple) else None,
)
def test_a_wish_that_can_not_be_used_subscribes_nobody(flat: Run, args: tuple[str, ...], says: str) -> None:
    assert says in refused(flat("subscribe", "Windpump Flat", *ME, *args))
    assert listed(flat) == []


def test_a_change_keeps_what_it_does_not_name(flat: Run) -> None:
    flat("subscribe", "Windpump Flat", *ME, "--chance", "60", "--wind", "7", "--kit", "aps-c 12mm f/2")
    ran = flat("subscription", "change", "1", "--wind", "6", "--coldest", "-5", "--kit", "none")
    assert ran.code == 0, ran.err
    assert "Subscription 1 (Windpump Flat) is changed" in ran.out
    (mine,) = listed(flat)
    kept = {name: mine["wishes"][name] for name in ("chance", "wind", "coldest")}
    assert kept == {"chance": 60, "wind": 6.0, "coldest": -5.0}
    assert mine["kit"] is None
    flat("subscription", "change", "1", "--coldest", "none", "--chance", "70", "--wind", "9")
    assert listed(flat)[0]["differs"] == []


def test_a_pause_ends_by_itself_or_sooner_and_leaving_is_for_good(flat: Run) -> None:
    with time_machine.travel("2027-06-01T08:00Z", tick=False):
        flat("subscribe", "Windpump Flat", *ME)
        ran = flat("subscription", "pause", "1", "--until", "2027-06-20")
        assert "is paused until 2027-06-20, Sun 12:00 CEST" in ran.out
        assert "(paused until Sun 20 June)" in flat("subscriptions").out
        assert listed(flat)[0]["paused_until"] == "2027-06-20T10:00:00Z"
        assert "is no longer paused" in flat("subscription", "resume", "1").out
        assert "wasn't paused" in flat("subscription", "resume", "1").out
        assert listed(flat)[0]["state"] == "on"
        assert "you@example.org hears no more of Windpump Flat" in flat("subscription", "leave", "1").out
        assert "No subscriptions yet" in flat("subscriptions").out


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("change", "1"), "say what to change"),
        (("change", "9", "--chance", "60"), "there is no subscription 9; list them"),
        (("pause", "1", "--until", "2020-01-01"), "a pause ends after today"),
        (("pause", "1", "--until", "soon"), "no date"),
        (("leave", "9"), "there is no subscription 9"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_what_can_not_be_changed_is_said_in_one_sentence(flat: Run, args: tuple[str, ...], says: str) -> None:
    flat("subscribe", "Windpump Flat", *ME)
    assert says in refused(flat("subscription", *args))


def test_wishes_that_can_never_hold_are_said_when_subscribing_with_what_can(run: Run) -> None:
    run("site", "add", "Broch", "--at", "52.0,-3.2")
    ran = run("subscribe", "Broch", *ME, "--core-above", "10", "--gust", "5")
    assert ran.code == 0, ran.err
    assert "With these wishes no night of a year has the sky for it." in ran.out
    assert "This can't ring: The core never stands above 10° here; it reaches 9.1° at most.\n" in ran.out
    assert "\n  With the core above 5° there would be" in ran.out
    assert "Note: You allow gusts up to 5 m/s" in ran.out


def test_a_road_closed_in_winter_fails_with_its_reason(flat: Run) -> None:
    flat("site", "edit", "Windpump Flat", "--months", "4-9", "--note", "road closed in winter")
    flat("subscribe", "Windpump Flat", *ME, "--target", "none")
    flat("cycle", "--as-of", "2027-11-02T12:00Z")
    explained = flat("explain", "Windpump Flat", "--date", "2027-11-02", "--as-of", "2027-11-02T12:10Z").out
    assert "the site can't be reached in November: road closed in winter" in explained


def test_gate_and_notes_are_kept_changed_and_taken_away(flat: Run) -> None:
    assert flat("site", "edit", "Windpump Flat", "--gate", "06:00-22:00").code == 0
    assert flat("site", "edit", "Windpump Flat", "--gate-stay", "--notes", "Ask at the farm.").code == 0
    assert flat("site", "edit", "Windpump Flat", "--gate", "none", "--notes", "none").code == 0
    assert "this site has no gate" in refused(flat("site", "edit", "Windpump Flat", "--gate-stay"))
    assert "write it as 22:00" in refused(flat("site", "edit", "Windpump Flat", "--gate", "six-ten"))


def test_the_file_that_the_readme_shows_can_be_read_and_names_every_wish(tmp_path: Path) -> None:
    shown = README.read_text(encoding="utf-8").partition("```toml\n")[2].partition("```")[0]
    file = tmp_path / "mine.toml"
    file.write_text(shown, encoding="utf-8")
    assert read_wish_file(file, DEFAULT_WISHES) != DEFAULT_WISHES
    assert tomllib.loads(shown).keys() == WORDS_BY_NAME.keys()


def test_a_home_gives_the_drives_that_nobody_gave(flat: Run) -> None:
    assert "No home is known" in flat("home").out
    assert flat("subscribe", "Windpump Flat", *ME).code == 0
    out = flat("home", "--at", "40.0123,-1.4567").out
    assert "Home: 40.01, -1.46 (kept to about 1 km), at 70 km/h." in out
    assert "Windpump Flat: about 45 min to drive, an estimate from home" in out
    assert "about 1 h 25 min to drive" in flat("home", "--speed", "35").out
    assert flat("subscription", "change", "1", "--drive", "1:15").code == 0
    assert "Windpump Flat: 1 h 15 min to drive\n" in flat("home").out
    assert flat("subscription", "change", "1", "--drive", "usual").code == 0
    assert "an estimate from home" in flat("home").out
    assert "No home is known" in flat("home", "--forget").out
    wrong = flat("home", "--speed", "60")
    assert (wrong.code, "duskbell home --at" in wrong.err) == (1, True)
    assert "stands alone" in flat("home", "--forget", "--speed", "60").err
