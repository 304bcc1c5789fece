"""Wishes are checked in words that a person understands."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from alerts.common.errors import BadInput
from alerts.sky.night import SkyWishes
from alerts.wishes.model import Wishes

REFUSED = {
    "taken back above go": ({"chance_go_pct": 60, "chance_back_pct": 70}, "must not be above"),
    "a chance above all": ({"chance_go_pct": 101}, "0 to 100 %"),
    "negative drive": ({"drive": timedelta(hours=-1)}, "drive must lie between 0 and 24 hours, got −1 h"),
    "a window longer than a day": ({"shortest_window": timedelta(hours=25)}, "shortest window must lie"),
    "no wind at all": ({"wind_limit_ms": 0.0}, "the wind limit must lie above 0"),
    "wind that is no number": ({"wind_limit_ms": float("nan")}, "the wind limit"),
    "endless gusts": ({"gust_limit_ms": float("inf")}, "the gust limit"),
    "colder than the Pole": ({"coldest_c": -100.0}, "between -90 and 40 °C"),
    "more Moon than any": ({"sky": SkyWishes(moonless=False, most_loss_mag=9.0)}, "the loss accepted must"),
    "a loss that is no number": ({"sky": SkyWishes(most_loss_mag=float("nan"))}, "the loss accepted must"),
    "too far ahead": ({"days_ahead": 16}, "days ahead must lie between 0 and 15"),
}


@pytest.mark.parametrize(("wishes", "says"), REFUSED.values(), ids=REFUSED.keys())
def test_wishes_that_cannot_be_met_are_refused(wishes: dict[str, Any], says: str) -> None:
    with pytest.raises(BadInput, match=says):
        Wishes(**wishes)


def test_the_defaults_suit_one_frame_on_a_tripod() -> None:
    wishes = Wishes()
    assert (wishes.chance_go_pct, wishes.chance_back_pct) == (70, 50)
    assert wishes.shortest_window == timedelta(minutes=30)
    assert wishes.coldest_c is None
