"""The extract of towns: whole, quick to ask, and right across poles and the date line."""

from __future__ import annotations

import math
import subprocess
import sys
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.errors import BadInput
from alerts.sky.brightness.data.make_towns import without_districts, without_repeats
from alerts.sky.brightness.towns import (
    _DATA,
    KM_PER_DEG,
    LAVISH,
    NAMES_FILE,
    SPARING,
    USUAL,
    Towns,
    pack_towns,
    packaged_towns,
    towns_at,
    unpack_towns,
)
from tests.unit.alerts.sky.brightness.reference import NO_TOWNS, UNHURRIED, towns_of


def test_the_extract_holds_the_worlds_towns() -> None:
    towns = packaged_towns()
    assert 100_000 < len(towns) < 150_000
    assert 3e9 < towns.population.sum() < 6e9
    assert towns.population.min() >= 1000
    assert (np.abs(towns.lat_deg) <= 90).all()
    assert (np.abs(towns.lon_deg) <= 180).all()
    assert (np.diff(towns.cell) >= 0).all()


@pytest.mark.parametrize(
    ("lat_deg", "lon_deg", "population", "name"),
    [(48.85, 2.35, 2.1e6, "Paris"), (-33.87, 151.21, 5e6, "Sydney"), (-18.14, 178.44, 77e3, "Suva")],
)
def test_cities_are_where_they_are(lat_deg: float, lon_deg: float, population: float, name: str) -> None:
    towns = packaged_towns()
    near, _, _ = towns.near(lat_deg, lon_deg, 10)
    largest = near[np.argmax(towns.population[near])]
    assert towns.names[largest] == name
    assert towns.population[largest] == pytest.approx(population, rel=0.3)


def test_nothing_is_read_before_it_is_asked_for() -> None:
    asked = (
        "import sys, alerts.sky.brightness.total, alerts.sky.brightness.readings;"
        "import alerts.sky.brightness.towns as towns;"
        "sys.exit(towns.packaged_towns.cache_info().currsize)"
    )
    assert subprocess.run([sys.executable, "-c", asked], check=False).returncode == 0


def _everywhere(towns: Towns, lat_deg: float, lon_deg: float, within_km: float) -> set[int]:
    """The same question asked of every town, by the angle between vectors."""
    lat, lon = np.radians(towns.lat_deg), np.radians(towns.lon_deg)
    there = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    a, b = math.radians(lat_deg), math.radians(lon_deg)
    here = np.array([math.cos(a) * math.cos(b), math.cos(a) * math.sin(b), math.sin(a)])
    apart = np.linalg.norm(there - here[:, None], axis=0)
    return set(np.flatnonzero(2 * np.arcsin(np.clip(apart / 2, 0, 1)) * 6371 <= within_km).tolist())


@UNHURRIED
@given(st.floats(-90, 90), st.floats(-180, 180), st.floats(1, 400))
def test_near_finds_what_a_search_of_all_finds(lat_deg: float, lon_deg: float, within_km: float) -> None:
    towns = packaged_towns()
    near = towns.near(lat_deg, lon_deg, within_km)[0].tolist()
    assert len(set(near)) == len(near)
    assert set(near) == _everywhere(towns, lat_deg, lon_deg, within_km)


@pytest.mark.parametrize(
    ("here", "there", "distance_deg", "bearing_deg"),
    [
        ((0, 0), (1, 0), 1, 0),
        ((0, 0), (0, 1), 1, 90),
        ((0, 179.5), (0, -179.5), 1, 90),
        ((0, -179.5), (0, 179.5), 1, 270),
        ((89.5, 0), (89.5, 180), 1, 0),
        ((90, 0), (89, 90), 1, 90),
        ((-90, 0), (-89, 0), 1, 0),
        ((10, 20), (9, 20), 1, 180),
    ],
    ids=[
        "north",
        "east",
        "date line east",
        "date line west",
        "over the pole",
        "from it",
        "south pole",
        "south",
    ],
)
def test_distance_and_bearing(
    here: tuple[float, float], there: tuple[float, float], distance_deg: float, bearing_deg: float
) -> None:
    _, distances_km, (seen_deg,) = towns_of((*there, 5000)).near(*here, 200)
    assert distances_km == pytest.approx([distance_deg * KM_PER_DEG])
    turn = (seen_deg - bearing_deg + 180) % 360 - 180
    if abs(here[0]) < 90:
        assert turn == pytest.approx(0, abs=1e-9)


def test_an_extract_comes_back_as_it_was_packed() -> None:
    lats, lons = (48.1, -33.9, 0.01), (11.6, 151.2, -179.99)
    towns = towns_at(lats, lons, (1.5e6, 5e6, 1000), ("A", "B", "C"), (SPARING, USUAL, LAVISH))
    back = unpack_towns(pack_towns(towns))
    assert back.lamps.tolist() == towns.lamps.tolist() == [USUAL, LAVISH, SPARING]
    assert back.cell.tolist() == towns.cell.tolist()
    assert back.lat_deg == pytest.approx(towns.lat_deg, abs=0.002)
    assert back.lon_deg == pytest.approx(towns.lon_deg, abs=0.002)
    assert back.population == pytest.approx(towns.population, rel=0.023)


@pytest.mark.parametrize(
    "packed",
    [b"", b"something else 1\n12345", b"duskbell towns 3 2\n12345"],
    ids=["empty", "foreign", "short"],
)
def test_a_damaged_extract_is_refused(packed: bytes) -> None:
    with pytest.raises(BadInput, match="extract of towns is damaged"):
        unpack_towns(packed)


def test_districts_of_a_city_are_counted_once() -> None:
    city, inner, outer = (0.0, 0.0, 1e6), (0.0, 0.02, 9e5), (0.02, 0.0, 3e5)
    beyond, neighbour = (0.0, 0.05, 2e5), (0.0, 0.5, 3e4)
    towns = towns_of(city, inner, outer, beyond, neighbour)
    kept = {towns.names[int(row)] for row in without_districts(towns)}
    assert kept == {"Town 0", "Town 3", "Town 4"}


def test_what_is_left_of_a_citys_parts_is_not_counted_again() -> None:
    names = ("Metropolis", "Inner Ward", "Neighbour", "Metropolis North", "Metropolisburg", "Far", "Far East")
    lats, lons = (0.0, 0.05, 0.12, 0.1, 0.11, 1.0, 1.01), (0.0,) * 7
    towns = towns_at(lats, lons, (4e6, 3e5, 2e5, 1e5, 9e4, 3e5, 2e4), names)
    kept = {towns.names[int(row)] for row in without_repeats(towns)}
    assert kept == {"Metropolis", "Neighbour", "Metropolisburg", "Far"}


@pytest.mark.parametrize(
    ("lat_deg", "lon_deg", "within_km", "fewest", "most"),
    # people of the community of Madrid and of the others with their nearer suburbs; from memory
    [
        (40.4168, -3.7038, 30, 5.0e6, 6.4e6),
        (40.71, -74.0, 30, 11e6, 14e6),
        (48.86, 2.35, 30, 8.5e6, 10.5e6),
        (51.5, -0.12, 30, 9e6, 11e6),
        (52.52, 13.4, 30, 4e6, 5e6),
    ],
    ids=["Madrid", "New York", "Paris", "London", "Berlin"],
)
def test_the_districts_of_the_largest_cities_are_counted_once(
    lat_deg: float, lon_deg: float, within_km: float, fewest: float, most: float
) -> None:
    near, _, _ = packaged_towns().near(lat_deg, lon_deg, within_km)
    assert fewest < packaged_towns().population[near].sum() < most


@pytest.mark.parametrize(
    ("lat_deg", "lon_deg", "lamps"),
    [
        (52.52, 13.4, SPARING),
        (48.2, 16.37, SPARING),
        (50.07, 14.43, USUAL),
        (40.4, -3.7, LAVISH),
        (28.1, -15.4, LAVISH),
    ],
    ids=["Berlin", "Vienna", "Prague", "Madrid", "Las Palmas"],
)
def test_countries_with_little_or_much_light_for_their_people_are_told_apart(
    lat_deg: float, lon_deg: float, lamps: int
) -> None:
    towns = packaged_towns()
    near, _, _ = towns.near(lat_deg, lon_deg, 8)
    assert towns.lamps[near[np.argmax(towns.population[near])]] == lamps


def test_no_towns_are_none() -> None:
    assert len(NO_TOWNS.near(10, 10, 200)[0]) == 0


def test_names_are_the_lines_of_their_file_one_by_one() -> None:
    names = packaged_towns().names
    lines = zlib.decompress((_DATA / NAMES_FILE).read_bytes()).decode().split("\n")
    assert list(names) == lines
    assert len(names) == len(packaged_towns())
    assert (names[-1], names[2:4]) == (lines[-1], tuple(lines[2:4]))
    with pytest.raises(IndexError):
        names[len(names)]
