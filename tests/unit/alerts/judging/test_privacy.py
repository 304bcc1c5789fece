"""How coarse a shared place is."""

from __future__ import annotations

from dataclasses import replace
from math import cos, radians

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.judging.privacy import shared_site
from alerts.sites.great_circle import KM_A_DEGREE, LEAST_WIDTH_KM, rounded_place
from alerts.sites.model import Darkness, Foreground, HorizonLine, Site

SITE = Site("Hill", 40.3123, -1.4188, 1180.0, "Europe/Madrid", HorizonLine((0.0,), (4.0,)))


@pytest.mark.parametrize("lat_deg", [0.0, 40.0, 59.9, 60.3, 69.7, 78.2, 85.0, -77.8])
def test_row_119_a_cell_is_wide_where_meridians_meet_too(lat_deg: float) -> None:
    """By counting the cells of a parallel."""
    cells = {rounded_place(lat_deg, number / 100)[1] for number in range(-3000, 3000)}
    width_km = 60 / len(cells) * KM_A_DEGREE * cos(radians(lat_deg))
    assert width_km > 0.95 * LEAST_WIDTH_KM


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_a_rounded_place_is_a_place_and_stays_where_it_is(lat_deg: float, lon_deg: float) -> None:
    here = rounded_place(lat_deg, lon_deg)
    assert rounded_place(*here) == here
    assert abs(here[0] - lat_deg) <= 0.0251
    replace(SITE, lat_deg=here[0], lon_deg=here[1])


def test_nothing_of_the_ground_is_shared() -> None:
    rich = replace(
        SITE,
        foregrounds=(Foreground("barn", 190.0),),
        darkness=Darkness(21.4),
        access_note="by the ford",
        notes="mind the dog",
    )
    assert shared_site(rich) == Site("Hill", 40.3, -1.4, 0.0, "Europe/Madrid")


def test_a_place_that_moved_next_door_stays_for_others_and_one_that_moved_on_does_not() -> None:
    known = shared_site(SITE)
    assert shared_site(replace(SITE, lat_deg=40.37), known) == known
    assert shared_site(replace(SITE, lon_deg=-1.46), known) == known
    assert shared_site(replace(SITE, lat_deg=40.43), known).lat_deg == 40.45
