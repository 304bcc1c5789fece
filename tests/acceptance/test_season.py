"""`duskbell season`: a year from the sky alone, as a page and for machines."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import icalendar
import pytest

from tests.acceptance.conftest import Run

PLACE = ("season", "--at", "40.3,-1.4", "--year", "2027")


def test_the_page_has_nights_months_and_what_the_wishes_cost(run: Run) -> None:
    ran = run(*PLACE)
    assert ran.code == 0, ran.err
    assert "Warning" not in ran.err  # a slow machine shows its progress there, and nothing else
    for text in ("the core above 10°", "By month", "June 2027", "What the wishes cost", "the band"):
        assert text in ran.out


def test_json_csv_and_calendar_tell_the_same_windows(run: Run) -> None:
    answer = json.loads(run(*PLACE, "--json").out)
    rows = list(csv.DictReader(io.StringIO(run(*PLACE, "--csv").out)))
    events = icalendar.Calendar.from_ical(run(*PLACE, "--ics").out).walk("VEVENT")
    windows = [window for night in answer["nights"] for window in night["windows"]]
    assert [row["start_utc"] for row in rows] == [window["start"] for window in windows]
    starts = [f"{event.decoded('dtstart'):%Y-%m-%dT%H:%M:%SZ}" for event in events]
    assert starts == [window["start"] for window in windows]
    assert len({str(event["uid"]) for event in events}) == len(events)
    assert sum(month["nights"] for month in answer["months"]) == len(answer["nights"])
    chosen = [cost["nights"] for cost in answer["costs"] if cost["chosen"]]
    assert chosen == [len(answer["nights"])]
    hours = [cost["minutes"] / 60 for cost in answer["costs"] if cost["chosen"]]
    assert hours == pytest.approx([sum(night["minutes"] for night in answer["nights"]) / 60], rel=0.01)


def test_by_worth_the_best_night_stands_first(run: Run) -> None:
    nights = json.loads(run(*PLACE, "--sort", "worth", "--json").out)["nights"]
    worths = [night["worth"] for night in nights]
    assert worths == sorted(worths, reverse=True)
    assert nights[0]["night"].startswith(("2027-05", "2027-06", "2027-07"))


def test_what_can_never_hold_is_said_with_what_can(run: Run) -> None:
    out = run("season", "--at", "56,-3", "--year", "2027").out
    assert "No night has a dark window." in out
    assert "never comes in darkness here" in out
    assert "With the band there would be" in out


def test_the_winter_arc_gives_nights_in_december(run: Run) -> None:
    span = ("--from", "2027-12-01", "--to", "2027-12-31")
    nights = json.loads(run("season", "--at", "40.3,-1.4", *span, "--target", "winter", "--json").out)[
        "nights"
    ]
    assert len(nights) > 10


def test_a_stored_site_and_a_horizon_line_are_used(run: Run, tmp_path: Path) -> None:
    ridge = tmp_path / "ridge.csv"
    ridge.write_text("azimuth,altitude\n0,15\n90,15\n180,15\n270,15\n")
    run("site", "add", "Deep Valley", "--at", "40.3,-1.4", "--horizon", str(ridge))
    walled = json.loads(run("season", "Deep Valley", "--year", "2027", "--json").out)
    level = json.loads(run(*PLACE, "--json").out)
    assert 0 < len(walled["nights"]) < len(level["nights"])


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((), "name a SITE"),
        (("Nowhere",), "no sites yet"),
        (("--at", "40,-1", "--year", "1800"), "1899-08-04 to 2053-10-02"),
        (("--at", "40,-1", "--year", "0"), "no year"),
        (("--at", "40,-1", "--from", "2027-02-01"), "go together"),
        (("--at", "40,-1", "--from", "2027-02-01", "--to", "2027-01-01"), "swap them"),
        (("--at", "40,-1", "--from", "2027-02-01", "--to", "2027-03-01", "--year", "2027"), "--year"),
        (("Nowhere", "--zone", "UTC"), "go with --at"),
        (("--at", "40,-1", "--target", "mars"), "no target"),
        (("--at", "40,-1", "--target", "X=400,0"), "right ascension"),
        (("--at", "40,-1", "--target", "X=10,95"), "declination"),
        (("--at", "40,-1", "--above", "95"), "--above"),
        (("--at", "40,-1", "--horizon", "/nowhere.csv"), "/nowhere.csv"),
    ],
    ids=lambda value: " ".join(value)[:45] if isinstance(value, tuple) else None,
)
def test_bad_input_is_one_sentence_and_a_code(run: Run, args: tuple[str, ...], says: str) -> None:
    ran = run("season", *args)
    assert ran.code != 0
    assert says in ran.err
    assert "Traceback" not in ran.err
