"""Twilight against Patat et al. 2006 and Koomen et al. 1952."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.sky.brightness.laws import (
    brighter_mag,
    growth,
    mag_from_nl,
    nl_from_mag,
    twilight_nl,
    twilight_zenith_mag,
)
from tests.unit.alerts.sky.brightness.reference import UNHURRIED, altitudes, published

PATAT = published("sky-brightness.json")["twilight_patat_2006"]
KOOMEN = published("sky-brightness.json")["twilight_koomen_1952"]
PARANAL_NIGHT_MAG = 21.641
"""The law's own value at 16 degrees; Patat 2003, A&A 400, 1183 has 21.61 for dark nights there."""


@pytest.mark.parametrize(("depression", "mag"), list(PATAT["V_by_sun_depression_deg"].items()))
def test_twilight_with_its_night_level_is_patats(depression: str, mag: float) -> None:
    assert twilight_zenith_mag(-float(depression)) == pytest.approx(mag, abs=6e-4)
    total_nl = twilight_nl(90.0, -float(depression)) + nl_from_mag(PARANAL_NIGHT_MAG)
    assert mag_from_nl(total_nl) == pytest.approx(mag, abs=1e-3)


@pytest.mark.parametrize("sun_altitude_deg", [-16.0, -16.001, -18.0, -18.4, -60.0, -90.0])
def test_beyond_sixteen_degrees_nothing_is_left(sun_altitude_deg: float) -> None:
    assert twilight_nl(45.0, sun_altitude_deg) == 0


def test_the_night_level_is_paranals_dark_sky() -> None:
    assert twilight_zenith_mag(-16.0) == pytest.approx(PARANAL_NIGHT_MAG, abs=1e-3)
    assert twilight_zenith_mag(-16.0) == pytest.approx(21.61, abs=0.2)  # rms of Patat 2003, Table 4


@pytest.mark.parametrize(
    ("row", "within_low", "within_high"),
    [(2, 0.4, 0.9), (3, 0.4, 0.9), (4, 0.4, 0.7), (5, 0.4, 0.5)],
    ids=["-6", "-9", "-12", "-15"],
)
def test_koomens_levels_agree(row: int, within_low: float, within_high: float) -> None:
    ours = twilight_zenith_mag(KOOMEN["sun_altitude_deg"][row])
    assert ours == pytest.approx(KOOMEN["maryland_30m_mag_arcsec2"][row], abs=within_low)
    assert ours == pytest.approx(KOOMEN["sacramento_peak_2800m_mag_arcsec2"][row], abs=within_high)


@pytest.mark.parametrize("row", [0, 1], ids=["0", "-3"])
def test_brighter_twilight_is_koomens_mountain(row: int) -> None:
    ours = twilight_zenith_mag(KOOMEN["sun_altitude_deg"][row])
    assert ours == pytest.approx(KOOMEN["sacramento_peak_2800m_mag_arcsec2"][row], abs=0.005)


@UNHURRIED
@given(altitudes, st.floats(-20, 0), st.floats(-20, 0))
def test_a_higher_sun_never_darkens(altitude_deg: float, one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert twilight_nl(altitude_deg, high) >= twilight_nl(altitude_deg, low) >= 0


def test_twilight_has_no_step_anywhere() -> None:
    sun = np.arange(-17, 0.2, 0.001)
    total = twilight_nl(90.0, sun) + nl_from_mag(21.8) * growth(90.0)
    assert np.abs(brighter_mag(total[1:], total[:-1])).max() < 0.002


def test_near_darkness_costs_what_is_said_of_it() -> None:
    """At -15 degrees Patat's sky is a third of a magnitude brighter than his night."""
    dark = float(nl_from_mag(PARANAL_NIGHT_MAG))
    assert brighter_mag(dark + twilight_nl(90.0, -15.0), dark) == pytest.approx(0.32, abs=0.01)
