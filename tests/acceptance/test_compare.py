"""`duskbell compare` ranks by the order that was chosen, and says which."""

from __future__ import annotations

import json

import pytest

from tests.acceptance.conftest import Run

SPAN = ("--from", "2027-07-01", "--to", "2027-07-12")


@pytest.fixture
def two(run: Run) -> Run:
    for name, at in (("Near", "40.31,-1.42"), ("Far", "41.31,-1.42")):
        assert (
            run("site", "add", name, "--at", at, "--zone", "Europe/Madrid", "--elevation", "1000").code == 0
        )
    return run


def test_the_order_is_told_with_what_each_figure_counts(two: Run) -> None:
    out = two("compare", *SPAN).out.splitlines()
    assert out[0] == "Nights from 2027-07-01 to 2027-07-12, each site by the wishes of who watches it"
    assert out[1].startswith("Ranked by worth: go, then wait")
    assert out[2] == "The chance: of 30 clear minutes in one piece, at least."
    assert out[3].startswith("The horizon is assumed to be level at ")
    assert out[4].split() == ["verdict", "chance", "night", "site", "dark", "in", "all", "windows"]


@pytest.mark.parametrize("order", ["date", "drive", "chance"])
def test_each_order_puts_the_nights_so(two: Run, order: str) -> None:
    two("home", "--at", "41.31,-1.42")
    ran = two("compare", *SPAN, "--sort", order, "--json", "--all")
    found = json.loads(ran.out)
    nights = found["nights"]
    assert found["sort"] == order
    assert {(each["site"], each["drive_minutes"], each["drive_is_estimate"]) for each in nights} == {
        ("Near", 135, True),
        ("Far", 0, True),
    }
    keys = {"date": "night", "drive": "drive_minutes", "chance": "chance_pct"}
    standing = [each[keys[order]] for each in nights]
    assert standing == (sorted(standing) if order != "chance" else [None] * len(nights))


def test_a_drive_from_home_stands_in_the_lines_as_an_estimate(two: Run) -> None:
    assert "drive" not in two("compare", *SPAN).out
    two("home", "--at", "41.31,-1.42")
    out = two("compare", *SPAN, "--sort", "drive").out
    assert 'The drive: one way; "about" is an estimate from home.' in out
    assert "about 2 h 15 min" in out


def test_row_235_a_level_horizon_that_nobody_gave_is_said_once_until_it_is_given(two: Run) -> None:
    """On the terminal and in JSON, wherever a window rests on it."""
    july = ("--from", "2027-07-01", "--to", "2027-07-12")

    def said() -> list[int]:
        ranked = two("compare", *july).out
        season = two("season", "Near", *july).out
        night = two("tonight", "Near", "--date", "2027-07-05", "--offline").out
        return [text.count("assumed") for text in (ranked, season, night)]

    def known() -> list[bool]:
        ranked = json.loads(two("compare", *july, "--json", "--all").out)["nights"]
        season = json.loads(two("season", "Near", *july, "--json").out)
        night = json.loads(two("tonight", "Near", "--date", "2027-07-05", "--offline", "--json").out)
        near = {each["horizon_assumed"] for each in ranked if each["site"] == "Near"}
        return [*near, season["horizon_assumed"], (night["horizon"] or {}).get("is_assumed", False)]

    assert said() == [1, 1, 1 + 1]  # the usual haze is assumed as well
    assert known() == [True] * 3
    assert two("site", "edit", "Near", "--horizon", "level").code == 0
    assert two("site", "edit", "Far", "--horizon", "level").code == 0
    assert said() == [0, 0, 1]
    assert known() == [False] * 3
