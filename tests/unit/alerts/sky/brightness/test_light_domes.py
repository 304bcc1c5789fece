"""Walker's law, the domes it gives, and their spread over the sky."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from alerts.sky.brightness import light_domes
from alerts.sky.brightness.laws import DEFAULT_AOD, NATURAL_ZENITH_MAG, brighter_mag, growth, nl_from_mag
from alerts.sky.brightness.light_domes import Dome, TownGlow, domes, is_over, town_excess
from alerts.sky.brightness.towns import KM_PER_DEG, LAVISH, SPARING
from tests.unit.alerts.sky.brightness.reference import UNHURRIED, altitudes, azimuths, published, towns_of

WALKER = published("sky-brightness.json")["walker_1977"]


@pytest.mark.parametrize(("distance_km", "population"), list(WALKER["ten_percent_rounded"].items()))
def test_a_citys_glow_is_walkers_within_a_factor_of_two(distance_km: str, population: float) -> None:
    """Walker 1977, PASP 89, 405, from Californian cities at 10 to 100 km."""
    if population > 100_000 and float(distance_km) <= 100:
        assert 0.05 <= town_excess(population, float(distance_km)) <= 0.2


def test_a_city_far_away_outshines_a_village_nearby() -> None:
    """2,300 people at 8.7 km against 256,000 at 54 km."""
    assert 3 * town_excess(2300, 8.7) < town_excess(256_000, 54)


def test_a_sparing_town_gives_a_fraction_and_a_lavish_one_more() -> None:
    """Kyba et al. 2015: German cities emit several times less light a head than American ones."""
    assert 3 < town_excess(1e5, 20) / town_excess(1e5, 20, lamps=SPARING) < 6
    assert 1.8 < town_excess(1e5, 20, lamps=LAVISH) / town_excess(1e5, 20) < 2.6


people = st.floats(1000, 3e7)
distances = st.floats(0, 200)


@UNHURRIED
@given(people, people, distances)
def test_a_larger_town_never_darkens(one: float, other: float, distance_km: float) -> None:
    small, large = sorted((one, other))
    assert town_excess(small, distance_km) <= town_excess(large, distance_km) * (1 + 1e-12)


@UNHURRIED
@given(people, distances, distances)
def test_a_nearer_town_never_darkens(population: float, one: float, other: float) -> None:
    near, far = sorted((one, other))
    assert town_excess(population, near) >= town_excess(population, far) * (1 - 1e-12)


@UNHURRIED
@given(people, st.floats(0, 199))
def test_glow_has_no_step_with_distance(population: float, distance_km: float) -> None:
    near, far = town_excess(population, distance_km), town_excess(population, distance_km + 0.001)
    assert near == pytest.approx(far, rel=0.01)


@pytest.mark.parametrize("population", [1000, 100_000, 30_000_000])
def test_inside_a_city_the_estimate_stays_a_possible_sky(population: float) -> None:
    brighter = brighter_mag(1 + town_excess(population, 0.0), 1.0)
    assert 0.3 < brighter < 6.5


def degrees(km: float) -> float:
    return km / KM_PER_DEG


def test_domes_come_brightest_first_with_bearing_distance_and_name() -> None:
    towns = towns_of(
        (degrees(30), 0, 2e5), (0, degrees(20), 1e4), (-degrees(41), 0, 3e5), (0, -degrees(99), 2000)
    )
    first, second, third = domes(0, 0, towns=towns)
    assert [round(dome.bearing_deg) for dome in (first, second, third)] == [0, 180, 90]
    assert (first.name, first.population) == ("Town 0", 200_000)
    assert second.text == "a dome at 180° true, 41 km (Town 2)"
    assert first.excess == pytest.approx(town_excess(2e5, 30), rel=1e-6)
    assert domes(0, 0, most=2, towns=towns) == (first, second)


def test_towns_in_one_direction_make_one_dome_under_the_brightest_name() -> None:
    towns = towns_of((degrees(30), 0, 2e5), (degrees(40), degrees(5), 1e5), (degrees(25), -degrees(3), 5e4))
    (only,) = domes(0, 0, towns=towns)
    alone = [
        town_excess(2e5, 30),
        town_excess(1e5, math.hypot(40, 5)),
        town_excess(5e4, math.hypot(25, 3)),
    ]
    assert only.name == "Town 0"
    assert only.excess == pytest.approx(sum(alone), rel=1e-3)


@pytest.mark.parametrize(
    ("lat_deg", "lon_deg"),
    [(30, -40), (90, 0), (-90, 0), (-48.9, -123.4), (-25.0, -179.99)],
    ids=["at sea", "north pole", "south pole", "farthest from land", "date line"],
)
def test_where_no_town_shows_there_is_no_dome(lat_deg: float, lon_deg: float) -> None:
    assert domes(lat_deg, lon_deg) == ()
    assert (TownGlow.around(lat_deg, lon_deg).map_nl >= 0).all()


def test_a_town_beyond_two_hundred_kilometres_is_not_looked_at() -> None:
    assert domes(0, 0, towns=towns_of((degrees(201), 0, 2e7))) == ()
    assert len(domes(0, 0, towns=towns_of((degrees(199), 0, 2e7)))) == 1


def test_a_village_far_away_makes_no_dome() -> None:
    assert domes(0, 0, towns=towns_of((degrees(60), 0, 2000))) == ()


def test_inside_a_city_the_dome_says_so() -> None:
    (dome,) = domes(0, 0, towns=towns_of((0.02, 0, 1e6), (-0.02, 0.01, 5e5)))
    assert dome.inside
    assert dome.text == "inside Town 0: its own light all round"


def test_the_packaged_towns_give_named_domes() -> None:
    found = domes(44.3, 5.9)
    assert 2 <= len(found) <= 3
    assert all(dome.name and 0 <= dome.bearing_deg < 360 for dome in found)


EAST = Dome(90.0, 30.0, "East", 100_000, 0.2)


@pytest.mark.parametrize(
    ("altitude_deg", "azimuth_deg", "over"),
    [(20, 90, True), (20, 104, True), (20, 76, True), (20, 106, False), (50, 90, False), (20, 270, False)],
)
def test_a_target_stands_over_a_dome_when_low_and_in_its_direction(
    altitude_deg: float, azimuth_deg: float, over: bool
) -> None:
    assert is_over(EAST, altitude_deg, azimuth_deg) == over
    assert is_over(EAST, [60.0, altitude_deg], [0.0, azimuth_deg]).any() == over


def test_a_dome_across_north_is_one_dome() -> None:
    north = Dome(355.0, 30.0, "North", 100_000, 0.2)
    assert is_over(north, 10.0, [345.0, 359.0, 9.0]).all()


def glow_of(*towns: tuple[float, float, float], elevation_m: float = 0.0) -> TownGlow:
    return TownGlow.around(0, 0, elevation_m, towns_of(*towns))


@pytest.mark.parametrize("distance_km", [10, 25, 50, 100])
def test_at_forty_five_degrees_toward_the_town_the_sky_is_that_of_its_dome(distance_km: float) -> None:
    population = 10 * distance_km**2.5
    natural = nl_from_mag(NATURAL_ZENITH_MAG) * growth(45.0)
    seen = glow_of((0, degrees(distance_km), population)).nl(45.0, 90.0)
    assert seen / natural == pytest.approx(town_excess(population, distance_km), rel=0.01)


@pytest.mark.parametrize("distance_km", [10, 20, 30])
def test_from_a_mountain_there_is_less_of_it_overhead(distance_km: float) -> None:
    town = (0, degrees(distance_km), 5e5)
    heights_m = (0.0, 250.0, 900.0, 1700.0, 2600.0, 4200.0)
    overhead = [glow_of(town, elevation_m=height_m).zenith_nl for height_m in heights_m]
    assert (np.diff(overhead) < 0).all()


@pytest.mark.parametrize("elevation_m", [-400.0, 0.0, 499.99, 1234.0, 8848.0])
def test_a_metre_of_height_makes_no_step(elevation_m: float) -> None:
    here, there = (glow_of((0, 0.2, 5e5), elevation_m=elevation_m + up).map_nl for up in (0.0, 1.0))
    assert here == pytest.approx(there, rel=2e-3)


def test_inside_a_city_its_light_stands_all_round() -> None:
    low = glow_of((0, degrees(1), 2e6)).nl(30.0, np.arange(0.0, 360, 15))
    assert low.max() < 1.1 * low.min()


def test_a_dome_is_brightest_low_over_its_town_and_weakest_behind() -> None:
    glow = glow_of((0, degrees(25), 1e5))
    down = glow.nl(np.array([90.0, 60, 45, 30, 20, 10, 5]), 90.0)
    assert (np.diff(down) > 0).all()
    round_it = glow.nl(20.0, np.array([90.0, 110, 150, 200, 270]))
    assert (np.diff(round_it) < 0).all()
    assert glow.nl(3.0, 90.0) > glow.nl(5.0, 90.0)
    assert glow.nl(0.2, 90.0) == glow.nl(2.0, 90.0)


def test_the_zenith_is_the_same_from_every_side() -> None:
    glow = glow_of((0, degrees(25), 1e5))
    assert glow.nl(90.0, 10.0) == pytest.approx(glow.nl(90.0, 200.0))
    assert glow.zenith_nl == pytest.approx(glow.nl(90.0, 0.0))


town_lists = st.lists(st.tuples(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5), people), max_size=6)


@UNHURRIED
@given(town_lists, st.tuples(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5), people), altitudes, azimuths)
def test_another_town_never_darkens_any_part_of_the_sky(
    towns: list[tuple[float, float, float]],
    more: tuple[float, float, float],
    altitude_deg: float,
    azimuth_deg: float,
) -> None:
    before, after = glow_of(*towns), glow_of(*towns, more)
    assert after.nl(altitude_deg, azimuth_deg) >= before.nl(altitude_deg, azimuth_deg) * (1 - 1e-12)


@UNHURRIED
@given(town_lists, st.floats(8, 90), azimuths)
def test_in_a_minute_a_target_finds_no_jump_in_the_glow(
    towns: list[tuple[float, float, float]], altitude_deg: float, azimuth_deg: float
) -> None:
    """It moves at most a quarter of a degree."""
    for up, aside in ((0.25, 0), (0, 0.25), (0.18, -0.18)):
        assert change_mag(glow_of(*towns), altitude_deg, azimuth_deg, up, aside) < 0.05


@UNHURRIED
@given(town_lists, altitudes, azimuths)
def test_the_glow_has_no_step_anywhere(
    towns: list[tuple[float, float, float]], altitude_deg: float, azimuth_deg: float
) -> None:
    for up, aside in ((0.01, 0), (0, 0.01)):
        assert change_mag(glow_of(*towns), altitude_deg, azimuth_deg, up, aside) < 0.005


def change_mag(glow: TownGlow, altitude_deg: float, azimuth_deg: float, up: float, aside: float) -> float:
    """By how much the sky, towns and night, differs a little up and aside."""
    places = ((altitude_deg, azimuth_deg), (min(altitude_deg + up, 90), azimuth_deg + aside))
    here, there = (glow.nl(*place) + 66.0 * growth(place[0]) for place in places)
    return abs(float(brighter_mag(there, here)))


def test_the_map_is_the_sum_of_each_towns_own_dome() -> None:
    one, other = (0, degrees(25), 1e5), (degrees(60), 0.2, 4e5)
    both = glow_of(one, other).map_nl
    assert both == pytest.approx(glow_of(one).map_nl + glow_of(other).map_nl)


def test_the_shape_falls_with_distance_as_walkers_law_does_where_he_measured() -> None:
    reference = [light_domes._glow(km, np.array([[45.0]]), np.array([0.0]))[0, 0] for km in (10.0, 25.0)]
    exponent = math.log(reference[1] / reference[0]) / math.log(2.5)
    assert exponent == pytest.approx(-2.5, abs=0.15)


def scattered_once(distance_km: float, altitude_deg: float, site_km: float) -> float:
    """The same light by another route: plane angles in the plane of site and town, adaptive quadrature, and
    each way's depth as an integral over its own points. Garstang 1989, PASP 101, 306, single scattering."""
    radius_km, gas, haze = 6371.0, 0.1451 / 1.086, DEFAULT_AOD
    town_km = site_km - min(0.5 * site_km, 0.1 * distance_km)
    town = (radius_km + town_km) * np.exp(1j * (math.pi / 2 - distance_km / radius_km))
    site = 1j * (radius_km + site_km)

    def per_km(at: complex) -> tuple[float, float]:
        height_km = abs(at) - radius_km
        return gas / 8 * math.exp(-height_km / 8), haze / 1.5 * math.exp(-(height_km - town_km) / 1.5)

    def depth(start: complex, end: complex) -> float:
        along = np.linspace(0, 1, 200)
        return float(np.trapezoid([sum(per_km(start + (end - start) * t)) for t in along], along)) * abs(
            end - start
        )

    def light(sight_km: float) -> float:
        at = site + sight_km * np.exp(1j * math.radians(altitude_deg))
        way = at - town
        cos_up = (way * town.conjugate()).real / abs(way) / abs(town)
        if cos_up <= 0:
            return 0.0
        emitted = (2 * 0.15 * 0.85 * cos_up + 0.554 * 0.15 * math.acos(cos_up) ** 4) / (2 * math.pi)
        cos_turn = -(way * (at - site).conjugate()).real / abs(way) / sight_km
        air, dust = per_km(at)
        by_air = 3 / (16 * math.pi) * (1 + cos_turn**2)
        by_haze = (1 - 0.65**2) / (4 * math.pi * (1 + 0.65**2 - 2 * 0.65 * cos_turn) ** 1.5)
        apart2 = abs(way) ** 2 + min(0.1 * distance_km, 1.5) ** 2
        return (
            emitted / apart2 * math.exp(-depth(town, at) - depth(at, site)) * (air * by_air + dust * by_haze)
        )

    ends = (0.0, 1.0, 5.0, 0.9 * distance_km + 0.1, 1.1 * distance_km + 5.2, 2 * distance_km + 6, 300.0)
    pieces = [
        quad(light, max(a, 1e-6), b, epsrel=1e-3, limit=80)[0] for a, b in itertools.pairwise(sorted(ends))
    ]
    return float(sum(pieces))


@pytest.mark.parametrize("altitude_deg", [2.0, 5.0, 10.0, 45.0, 90.0])
@pytest.mark.parametrize(
    ("distance_km", "elevation_m"), [(10.0, 0.0), (40.0, 0.0), (40.0, 2000.0), (90.0, 3000.0)]
)
def test_the_glow_is_garstangs_integral(distance_km: float, elevation_m: float, altitude_deg: float) -> None:
    ours = light_domes._glow(distance_km, np.array([[altitude_deg]]), np.zeros(1), elevation_m)[0, 0]
    assert ours == pytest.approx(scattered_once(distance_km, altitude_deg, elevation_m / 1000), rel=0.07)


VARIATIONS: list[tuple[str, dict[str, Any]]] = [
    ("clean air", {"aod": 0.05}),
    ("hazy air", {"aod": 0.25}),
    ("shielded lamps", {"_SENT_UP": 0.05}),
    ("sharper forward scattering", {"_FORWARD": 0.8}),
]


@pytest.mark.parametrize("change", [change for _, change in VARIATIONS], ids=[name for name, _ in VARIATIONS])
def test_the_domes_shape_keeps_within_the_stated_spread(
    change: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = light_domes._shape.__wrapped__(0.0)
    aod = change.pop("aod", DEFAULT_AOD)
    monkeypatch.setattr(light_domes._glow, "__defaults__", (0.0, aod))
    for name, value in change.items():
        monkeypatch.setattr(light_domes, name, value)
    other = light_domes._shape.__wrapped__(0.0)
    low, above_ten, above_twenty = (light_domes.ALTITUDES_DEG.tolist().index(deg) for deg in (5, 10, 20))
    usual, other = usual[4:9, low:], other[4:9, low:]  # 10 to 100 km
    factor = np.maximum(other / usual, usual / other)
    low, above_ten, above_twenty = 0, above_ten - low, above_twenty - low
    assert factor[:, above_ten:, 0].max() <= 1.7
    assert factor[:, low, 0].max() <= 2.2
    assert factor[:, above_twenty:].max() <= 2.6
