"""Units, extinction and twilight against the published values; twilight is Patat's 2006 and Koomen's 1952."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.errors import BadInput
from alerts.sky.brightness.laws import (
    DEFAULT_AOD,
    airmass,
    brighter_mag,
    dimming_mag,
    gas_mag,
    growth,
    known_or_default_aod,
    mag_from_nl,
    nl_from_mag,
    scattering_airmass,
    twilight_nl,
    twilight_zenith_mag,
)
from tests.unit.alerts.sky.brightness.reference import (
    UNHURRIED,
    airmass_rows,
    altitudes,
    optical_depths,
    published,
)

PATAT = published("sky-brightness.json")["twilight_patat_2006"]
KOOMEN = published("sky-brightness.json")["twilight_koomen_1952"]
PARANAL_NIGHT_MAG = 21.641
"""The law's own value at 16 degrees; Patat 2003, A&A 400, 1183 has 21.61 for dark nights there."""


@pytest.mark.parametrize(("mag", "nl"), list(published("ks1991.json")["units"]["nL_of_V"].items()))
def test_magnitudes_become_the_papers_nanolamberts(mag: str, nl: float) -> None:
    assert nl_from_mag(float(mag)) == pytest.approx(nl, abs=6e-4)


@UNHURRIED
@given(st.floats(3, 25))
def test_magnitudes_come_back_from_nanolamberts(mag: float) -> None:
    assert mag_from_nl(nl_from_mag(mag)) == pytest.approx(mag, abs=1e-9)


def test_a_hundred_times_the_light_is_five_magnitudes() -> None:
    assert brighter_mag(100.0, 1.0) == pytest.approx(5)


@pytest.mark.parametrize("row", airmass_rows(), ids=lambda row: row["elevation_deg"])
def test_airmass_is_kasten_and_youngs(row: dict[str, str]) -> None:
    seen = airmass(float(row["elevation_deg"]))
    assert seen == pytest.approx(float(row["ky89_formula"]), abs=6e-5)
    if row["ky89_table"]:
        assert seen == pytest.approx(float(row["ky89_table"]), rel=0.005)


@pytest.mark.parametrize("row", airmass_rows(), ids=lambda row: row["elevation_deg"])
def test_scattered_light_has_the_moonlight_models_own_airmass(row: dict[str, str]) -> None:
    assert scattering_airmass(float(row["elevation_deg"])) == pytest.approx(float(row["ks1991_X"]), abs=6e-5)


@pytest.mark.parametrize(
    ("elevation_m", "least", "most"),
    [(0, 0.2, 0.3), (2600, 0.12, 0.16), (4200, 0.10, 0.172)],
    ids=["usual low site 0.2-0.3", "high and dry, about 0.12", "Mauna Kea, at most 0.172"],
)
def test_default_air_takes_what_sites_of_that_height_measure(
    elevation_m: float, least: float, most: float
) -> None:
    zenith = float(dimming_mag(90.0, elevation_m)[0])
    assert least <= zenith <= most


def test_optical_depth_dims_by_its_published_factor() -> None:
    depth, seen_deg = 0.9, 30.0
    beyond_air = dimming_mag(seen_deg, 0, depth)[0] - dimming_mag(seen_deg, 0, 0.0)[0]
    assert beyond_air == pytest.approx(1.086 * depth * 1.9943, rel=1e-3)


def test_smoke_is_what_the_default_air_has_not() -> None:
    smoky, clear, usual = (dimming_mag(90.0, 0, aod)[1] for aod in (DEFAULT_AOD + 1.1, 0.01, None))
    assert smoky == pytest.approx(1.086 * 1.1 * 0.9997, rel=1e-3)
    assert clear == usual == 0


@pytest.mark.parametrize("aod", [None, math.nan, np.array([math.nan, math.nan])], ids=["none", "nan", "nans"])
def test_missing_optical_depth_is_the_stated_default(aod: Any) -> None:
    assert known_or_default_aod(aod, 1500) == pytest.approx(DEFAULT_AOD / math.e)
    assert np.all(known_or_default_aod(aod, 0) == DEFAULT_AOD)


def test_a_gap_in_a_row_of_optical_depths_is_filled_alone() -> None:
    assert known_or_default_aod([0.5, math.nan, 2.0], 0).tolist() == [0.5, DEFAULT_AOD, 2.0]


@pytest.mark.parametrize("aod", [-0.01, 20.1, math.inf, -math.inf, [0.1, 99.0]])
def test_absurd_optical_depth_is_refused(aod: Any) -> None:
    with pytest.raises(BadInput, match="optical depth must lie between 0 and 20"):
        known_or_default_aod(aod, 0)


@UNHURRIED
@given(altitudes, optical_depths, optical_depths)
def test_more_haze_never_dims_less(altitude_deg: float, one: float, other: float) -> None:
    less, more = sorted((one, other))
    assert dimming_mag(altitude_deg, 0, less)[0] <= dimming_mag(altitude_deg, 0, more)[0]


@UNHURRIED
@given(altitudes, altitudes)
def test_lower_never_dims_less(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert dimming_mag(low, 0)[0] >= dimming_mag(high, 0)[0] - 1e-4


def test_thin_air_takes_less() -> None:
    assert gas_mag(8000) - 0.016 == pytest.approx(0.1451 / math.e)


# --- twilight ---


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
