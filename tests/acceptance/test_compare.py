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
    assert out[3].split() == ["verdict", "chance", "night", "site", "dark", "in", "all", "windows"]


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
