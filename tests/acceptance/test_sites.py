"""`duskbell site edit`: a site is described anew, and what was stored before stays."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from alerts.common.errors import BadInput
from service.cli.sites import read_foreground, read_months
from tests.acceptance.conftest import Run

FLAT = ("site", "add", "Windpump Flat", "--at", "40.31,-1.42")


def test_changing_the_zone_does_not_rename_stored_nights(run: Run, tmp_path: Path) -> None:
    run(*FLAT)
    run("subscribe", "Windpump Flat", "--email", "you@example.org")
    run("cycle", "--as-of", "2027-07-03T12:07Z")
    file = tmp_path / "data" / "duskbell.sqlite3"
    query = "SELECT id, name, facts FROM night ORDER BY id"

    def rows() -> list[tuple[object, ...]]:
        database = sqlite3.connect(file)
        found = database.execute(query).fetchall()
        database.close()
        return found

    before = rows()
    assert run("site", "edit", "Windpump Flat", "--zone", "Pacific/Auckland").code == 0
    run("cycle", "--as-of", "2027-07-03T12:37Z")
    after = rows()
    assert after[: len(before)] == before
    assert len(after) > len(before)


def test_row_17_a_site_at_sea_is_said_to_be_and_a_named_zone_wins(run: Run) -> None:
    at_sea = run("site", "add", "Skerry", "--at", "52.0,3.0", "--yes")
    assert "(Etc/GMT)" in at_sea.out
    assert "at sea" in at_sea.out
    named = run("site", "add", "Lightship", "--at", "52.0,3.1", "--yes", "--zone", "Europe/Amsterdam")
    assert "(Europe/Amsterdam)" in named.out
    assert "at sea" not in named.out


def test_only_what_is_named_changes(run: Run) -> None:
    run(*FLAT)
    ran = run("site", "edit", "Windpump Flat", "--foreground", "windpump=196", "--months", "4-10")
    assert ran.code == 0, ran.err
    assert "access months, foregrounds" in ran.out
    assert "40.3100" in run("site", "list").out


@pytest.mark.parametrize(
    ("text", "months"),
    [("4-10", (4, 5, 6, 7, 8, 9, 10)), ("11-2", (1, 2, 11, 12)), ("5, 6,7", (5, 6, 7)), ("3", (3,))],
)
def test_months_are_read(text: str, months: tuple[int, ...]) -> None:
    assert read_months(text) == months


@pytest.mark.parametrize("text", ["", "0", "13", "may", "4-x", "-3"])
def test_other_months_are_refused(text: str) -> None:
    with pytest.raises(BadInput, match="no months"):
        read_months(text)


@pytest.mark.parametrize("text", ["peak", "peak=", "=12", "peak=360", "peak=nan"])
def test_a_foreground_needs_a_name_and_a_bearing(text: str) -> None:
    with pytest.raises(BadInput, match="no foreground"):
        read_foreground(text)


def test_nothing_to_change_is_said(run: Run) -> None:
    run(*FLAT)
    assert "say what to change" in run("site", "edit", "Windpump Flat").err


def test_readings_and_classes_are_kept_as_what_they_stand_for(run: Run) -> None:
    run(*FLAT, "--bortle", "3")
    assert "Bortle 3 (atlas chart), taken as 21.7" in run("site", "list").out
    readings = ("--sqm", "21.40", "--sqm", "21.60@2027-07-03T23:30Z", "--sqm", "18.2@2027-07-18T23:30Z")
    ran = run("site", "edit", "Windpump Flat", *readings)
    assert "darkness" in ran.out
    assert "21.50 mag/arcsec², median of 2 readings" in run("site", "list").out  # the third met a full Moon


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("--sqm", "30"), "between 12 and 23"),
        (("--sqm", "dark"), "no reading"),
        (("--sqm", "21@2027-07-03T23:30"), "no zone"),
        (("--sqm", "18.2@2027-07-18T23:30Z"), "none of the readings counts"),
        (("--bortle", "0"), "from 1 (darkest) to 9"),
        (("--bortle", "10"), "from 1 (darkest) to 9"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_readings_that_cannot_be_are_refused(run: Run, args: tuple[str, ...], says: str) -> None:
    run(*FLAT)
    ran = run("site", "edit", "Windpump Flat", *args)
    assert ran.code != 0
    assert says in ran.err


def test_a_ridge_says_when_the_moon_reaches_the_foreground(run: Run, tmp_path: Path) -> None:
    ridge = tmp_path / "ridge.csv"
    ridge.write_text("0,12\n90,12\n180,12\n270,12\n")
    place = ("season", "--at", "40.3,-1.4", "--from", "2027-07-10", "--to", "2027-07-12", "--any-moon")
    assert run(*place, "--horizon", str(ridge)).code == 0
    night = ("tonight", "--at", "40.3,-1.4", "--date", "2027-07-12", "--offline", "--json")
    spans = json.loads(run(*night).out)["moon"]["foreground_lit"]
    assert len(spans) == 1
    assert spans[0]["start"] < spans[0]["end"]
