"""`duskbell briefing`: one night in every form, without sending."""

from __future__ import annotations

import json
from pathlib import Path

import icalendar
import jsonschema
import pytest

from tests.acceptance.conftest import DATA, Run

PAIR = (
    *("--weather", str(DATA / "tonight" / "invented-clear-metno.json")),
    *("--weather", f"open-meteo/gfs_seamless={DATA / 'tonight' / 'invented-clear-gfs.json'}"),
)
NIGHT = ("briefing", "--at", "40.31,-1.42", "--date", "2027-07-03", *PAIR)
SCHEMA = Path(__file__).parents[2] / "alerts" / "briefing" / "payload.schema.json"


def test_the_text_tells_the_evening_the_camera_and_the_cautions(run: Run) -> None:
    ran = run(*NIGHT, "--kit", "full frame 24 MP, 20mm f/1.8")
    assert ran.code == 0, ran.err
    for text in (
        "Leave by",
        "eight identical frames",
        "two dark frames",
        "25 s",
        "Tell someone",
        "MET Norway",
    ):
        assert text in ran.out


def test_without_a_kit_a_full_frame_one_is_taken_and_said(run: Run) -> None:
    assert "full frame" in run(*NIGHT).out


def test_imperial_figures_are_written_for_who_wants_them(run: Run) -> None:
    assert "°F" in run(*NIGHT, "--imperial").out
    assert "°F" not in run(*NIGHT).out


def test_the_json_fits_its_schema(run: Run) -> None:
    payload = json.loads(run(*NIGHT, "--format", "json").out)
    jsonschema.validate(payload, json.loads(SCHEMA.read_text(encoding="utf-8")))


def test_the_calendar_has_the_window_and_the_leave_by_time(run: Run) -> None:
    calendar = icalendar.Calendar.from_ical(run(*NIGHT, "--format", "ics").out)
    summaries = [str(event["summary"]) for event in calendar.walk("VEVENT")]
    assert any("Dark window" in summary for summary in summaries)
    assert len(summaries) >= 2


def test_the_page_holds_its_pictures_and_asks_for_nothing_else(run: Run) -> None:
    page = run(*NIGHT, "--format", "html").out
    assert page.count("data:image/svg+xml") >= 2
    assert 'src="http' not in page
    assert "<script" not in page


@pytest.mark.parametrize("picture", ["night", "view"])
def test_pictures_are_written_as_svg_and_png(run: Run, tmp_path: Path, picture: str) -> None:
    assert run(*NIGHT, "--format", "svg", "--picture", picture).out.startswith("<svg")
    file = tmp_path / "picture.png"
    assert run(*NIGHT, "--format", "png", "--picture", picture, "--output", str(file)).code == 0
    assert file.read_bytes().startswith(b"\x89PNG")


SOUTH = ("briefing", "--at=-35,149", "--offline", "--date")
JULY = ("briefing", "--at", "40.31,-1.42", "--date", "2027-07-08", "--offline")


def test_a_panorama_is_of_the_arch_also_where_another_shape_shows_best(run: Run) -> None:
    """In March at 35 south the core stands beside the arch; the southern column stands under it in June."""
    drawn = run(*SOUTH, "2027-03-05", "--format", "svg", "--picture", "panorama").out
    assert "The arch at 02:59" in drawn
    assert "its top 62° up in the south" in drawn
    drawn = run(*SOUTH, "2027-06-05", "--format", "svg", "--picture", "panorama").out
    assert "The arch at " in drawn


def test_any_moment_and_any_shape_of_a_night_can_be_asked_for(run: Run) -> None:
    at_ten = run(*JULY, "--format", "svg", "--picture", "panorama", "--at-time", "00:10").out
    assert "The arch at 00:10" in at_ten
    upright = run(*JULY, "--format", "svg", "--picture", "view", "--shape", "column").out
    assert "upright" in upright
    below = run(*SOUTH, "2027-06-05", "--shape", "column").out
    assert "ground and the Milky Way's foot fit in one frame" in below


def test_a_polar_summer_night_says_why_not(run: Run) -> None:
    out = run("briefing", "--at", "60,10", "--date", "2027-06-20", "--offline").out
    assert "no astronomical darkness" in out


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((*NIGHT, "--kit", "a very good camera"), "isn't understood as kit"),
        ((*NIGHT, "--format", "svg", "--picture", "aerial"), "no picture 'aerial'"),
        (("briefing",), "name a SITE"),
        (
            ("briefing", "--at", "60,10", "--date", "2027-06-20", "--offline", "--format", "ics"),
            "nothing for a calendar",
        ),
        ((*NIGHT, "--output", "/dev/null/all.txt"), "can't be written"),
        ((*JULY, "--at-time", "13:00"), "13:00 is not between sunset and sunrise of the night of Thu 8 July"),
        ((*JULY, "--at-time", "25:00"), "'25:00' is no time of day"),
        ((*JULY, "--shape", "ring"), "no shape of the Milky Way; there are arch"),
        ((*JULY, "--shape", "overhead"), "it stands as a leaning band and an upright column"),
        ((*JULY, "--shape", "column", "--at-time", "01:00"), "Ask for a time or for a shape, not for both"),
        ((*JULY, "--format", "svg", "--picture", "panorama"), "A panorama is of an arch; at 02:02"),
        (
            ("briefing", "--at", "60,10", "--date", "2027-06-20", "--offline", "--shape", "arch"),
            "no dark window, so there is nothing to plan for",
        ),
    ],
    ids=[
        *("kit", "picture", "place", "calendar", "output", "outside", "no time", "no shape", "absent"),
        *("both", "no arch", "no window"),
    ],
)
def test_bad_input_is_one_sentence_and_a_code(run: Run, args: tuple[str, ...], says: str) -> None:
    ran = run(*args)
    assert ran.code == 1
    assert says in ran.err


def test_a_watched_site_is_briefed_by_the_wishes_and_the_kit_of_who_watches_it(run: Run) -> None:
    run("site", "add", "Windpump Flat", "--at", "40.31,-1.42")
    briefing = ("briefing", "Windpump Flat", "--date", "2027-07-03", *PAIR)
    assert "No camera is named" in run(*briefing).out
    wishes = ("--kit", "aps-c 16mm f/2.8", "--units", "imperial", "--drive", "45")
    subscribed = run("subscribe", "Windpump Flat", "--email", "you@example.org", "--mine", *wishes)
    assert subscribed.code == 0, subscribed.err
    out = run(*briefing).out
    assert "16 mm f/2.8 on aps-c sees" in out
    assert "°F" in out
    assert "20 mm f/1.8 on full frame" in run(*briefing, "--kit", "full frame 20mm f/1.8").out
