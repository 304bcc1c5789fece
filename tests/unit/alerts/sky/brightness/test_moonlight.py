"""Moonlight against Krisciunas & Schaefer 1991 and Allen's phase law."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from alerts.sky.brightness.laws import (
    brighter_mag,
    faded_nl,
    growth,
    mag_from_nl,
    moon_illuminance,
    moonlight_nl,
    moonlit_sky_nl,
    nl_from_mag,
    scattering,
    separation_deg,
)
from tests.unit.alerts.sky.brightness.reference import (
    UNHURRIED,
    altitudes,
    azimuths,
    moon_at,
    phases,
    published,
)

KS = published("ks1991.json")


def case_id(case: dict[str, float]) -> str:
    return "-".join(f"{case[key]:g}" for key in ("phase_angle_deg", "moon_zenith_deg", "separation_deg"))


each_case = pytest.mark.parametrize("case", KS["cases"], ids=case_id)


def moonlight_of(case: dict[str, float], k: float) -> Any:
    return moonlight_nl(
        case["phase_angle_deg"],
        90 - case["moon_zenith_deg"],
        90 - case["sky_zenith_deg"],
        case["separation_deg"],
        k,
    )


def test_the_one_published_figure_is_met() -> None:
    example = KS["published_example"]
    seen = mag_from_nl(moonlight_of(example, example["k"]))
    assert seen == pytest.approx(example["V_moon_only"], abs=example["tolerance"])


@each_case
def test_moonlight_follows_the_papers_equations(case: dict[str, float]) -> None:
    assert moon_illuminance(case["phase_angle_deg"]) == pytest.approx(case["Istar"], rel=1e-5)
    assert scattering(case["separation_deg"]) == pytest.approx(case["f_rayleigh"] + case["f_mie"], rel=1e-5)
    moon_nl = moonlight_of(case, case["k_mag_per_airmass"])
    assert moon_nl == pytest.approx(case["B_moon_nL"], abs=6e-4)


@each_case
def test_the_dark_sky_and_the_sum_follow_too(case: dict[str, float]) -> None:
    k, altitude_deg = case["k_mag_per_airmass"], 90 - case["sky_zenith_deg"]
    dark_nl = nl_from_mag(case["dark_zenith_mag"]) * growth(altitude_deg, k)
    assert dark_nl == pytest.approx(case["B_dark_nL"], rel=1e-5)
    total_nl = dark_nl + moonlight_of(case, k)
    assert mag_from_nl(total_nl) == pytest.approx(case["V_total"], abs=1e-3)
    assert -brighter_mag(total_nl, dark_nl) == pytest.approx(case["delta_V"], abs=1e-3)


@pytest.mark.parametrize(("phase", "fainter"), list(KS["moon_phase_law_allen"]["delta_mag"].items()))
def test_the_phase_law_is_allens_to_a_ninth_of_a_magnitude(phase: str, fainter: float) -> None:
    seen = brighter_mag(moon_illuminance(0.0), moon_illuminance(float(phase)))
    assert seen == pytest.approx(fainter, abs=0.11)


@pytest.mark.parametrize(("phase_deg", "factor"), [(0, 1.35), (3.5, 1.175), (7, 1), (90, 1)])
def test_near_full_the_moon_outshines_the_law(phase_deg: float, factor: float) -> None:
    moon, apart = moon_at(40.0, 90.0, phase_deg), separation_deg(60.0, 0.0, np.array(40.0), np.array(90.0))
    by_the_law = moonlight_nl(phase_deg, 40.0, 60.0, apart, 0.25)
    assert moonlit_sky_nl(60.0, 0.0, moon, 0.25, 0.16) / by_the_law == pytest.approx(factor)


def test_the_aureole_has_no_step() -> None:
    angles = np.linspace(0.01, 180, 180_000)
    steps = np.abs(np.diff(np.log(scattering(angles))))
    assert steps.max() < 0.01


def test_the_natural_sky_grows_toward_the_horizon() -> None:
    down = 60.0 * growth(np.linspace(90, 0, 91))
    assert down[0] == pytest.approx(60)
    assert (np.diff(down) > 0).all()
    assert down[-1] / down[0] == pytest.approx(5 * 10 ** (-0.4 * 0.172 * 4))


@UNHURRIED
@given(altitudes, azimuths, altitudes, azimuths)
def test_separations_are_those_of_unit_vectors(
    up: float, turn: float, moon_up: float, moon_turn: float
) -> None:
    def vector(altitude: float, azimuth: float) -> Any:
        a, z = np.radians([altitude, azimuth])
        return np.array([np.cos(a) * np.cos(z), np.cos(a) * np.sin(z), np.sin(a)])

    one, other = vector(up, turn), vector(moon_up, moon_turn)
    angle = np.degrees(np.arctan2(np.linalg.norm(np.cross(one, other)), one @ other))
    apart = separation_deg(up, turn, np.array(moon_up), np.array(moon_turn))
    assert apart == pytest.approx(angle, abs=1e-5)


@UNHURRIED
@given(phases, phases, st.floats(0.5, 90), azimuths, altitudes)
def test_a_fuller_moon_never_darkens(one: float, other: float, up: float, turn: float, sky_up: float) -> None:
    fuller, thinner = sorted((one, other))
    bright, faint = (
        moonlit_sky_nl(sky_up, 0.0, moon_at(up, turn, phase), 0.25, 0.16) for phase in (fuller, thinner)
    )
    assert bright >= faint


@UNHURRIED
@given(phases, st.floats(0, 90), azimuths, altitudes, st.floats(0.16, 22), st.floats(0.16, 22))
def test_more_haze_never_darkens_the_moonlit_sky(
    phase: float, up: float, turn: float, sky_up: float, one: float, other: float
) -> None:
    less, more = sorted((one, other))
    moon = moon_at(up, turn, phase)
    assert moonlit_sky_nl(sky_up, 0.0, moon, more, 0.16) >= moonlit_sky_nl(sky_up, 0.0, moon, less, 0.16) * (
        1 - 1e-12
    )


def test_the_papers_extinction_is_kept_until_its_equation_turns_over() -> None:
    def by_both(moon_up: float, sky_up: float, extinction: float) -> tuple[Any, Any]:
        apart = separation_deg(sky_up, 0.0, np.array(moon_up), np.array(60.0))
        grid = np.linspace(0.16, extinction, 2000)
        ours = moonlit_sky_nl(sky_up, 0.0, moon_at(moon_up, 60.0), extinction, 0.16)
        return ours, moonlight_nl(90, moon_up, sky_up, apart, grid)

    ours, papers = by_both(40.0, 60.0, 0.25)
    assert ours == papers[-1] == papers.max()
    for place in ((1.0, 30.0, 0.25), (20.0, 30.0, 3.0)):
        ours, papers = by_both(*place)
        assert papers[-1] < ours == pytest.approx(papers.max(), rel=1e-6)


@pytest.mark.parametrize(
    ("altitude_deg", "share"),
    [(30, 1), (2, 1), (-0.8255, 0), (-0.9, 0), (-40, 0), (0.5873, 0.5)],
    ids=["high", "at 2 degrees", "moonset at mean distance", "just set", "deep", "half way"],
)
def test_moonlight_fades_from_two_degrees_to_moonset(altitude_deg: float, share: float) -> None:
    assert np.log2(1 + faded_nl(1.0, 1.0, moon_at(altitude_deg))) == pytest.approx(share, abs=1e-3)


def test_moonset_is_the_almanacs() -> None:
    # 34' of refraction and 15.54' of semidiameter at the mean distance
    assert faded_nl(1.0, 1.0, moon_at(-49.55 / 60)) == 0
    assert faded_nl(1.0, 1.0, moon_at(-49.53 / 60)) > 0


@UNHURRIED
@given(st.floats(0, 1e5), st.floats(1, 1e4), st.floats(-1, 2.1), st.floats(-1, 2.1))
def test_a_rising_moon_never_darkens(light_nl: float, rest_nl: float, one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert faded_nl(light_nl, rest_nl, moon_at(low)) <= faded_nl(light_nl, rest_nl, moon_at(high))
    assert faded_nl(light_nl, rest_nl, moon_at(2.0)) == pytest.approx(light_nl)
    assert faded_nl(light_nl, rest_nl, moon_at(-1.0)) == 0


FASTEST_DEG_A_MINUTE = 0.2507
"""The sky's turning, with which a Moon in the tropics sets."""


def minute_by_minute(sky_up: float, turn: float, phase: float, distance_km: float) -> Any:
    """Magnitudes brighter than a dark sky, a minute apart, while the Moon climbs from below to 10 degrees."""
    moon = moon_at(np.arange(-2, 10, FASTEST_DEG_A_MINUTE), turn, phase, distance_km)
    light = moonlit_sky_nl(sky_up, 0.0, moon, 0.28, 0.16)
    dark = 66.0 * growth(sky_up)
    at_two = np.interp(2.0, moon.altitude_deg, light)
    return brighter_mag(dark + faded_nl(light, dark, moon), dark), brighter_mag(dark + at_two, dark)


@UNHURRIED
@given(st.floats(10, 90), st.floats(25, 335), st.floats(90, 180), st.floats(356_000, 407_000))
def test_a_thin_moon_makes_no_jump(sky_up: float, turn: float, phase: float, distance_km: float) -> None:
    brighter, at_two = minute_by_minute(sky_up, turn, phase, distance_km)
    assume(at_two <= 0.5)
    assert np.abs(np.diff(brighter)).max() <= 0.05


@pytest.mark.parametrize(("phase", "turn"), list(itertools.product([0, 30, 60], [30, 90, 180])))
def test_a_bright_moon_fades_evenly_over_the_whole_way(phase: float, turn: float) -> None:
    brighter, at_two = minute_by_minute(30.0, turn, phase, 384_400.0)
    minutes = 2.83 / FASTEST_DEG_A_MINUTE
    assert np.abs(np.diff(brighter)).max() <= 1.25 * at_two / minutes
