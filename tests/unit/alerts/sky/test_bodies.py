"""Altitudes and azimuths against astropy, ephem, NREL, USNO and JPL."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from alerts.sky.ephemeris import Body, Ephemeris
from alerts.sky.milky_way import CORE
from tests.unit.alerts.sky.reference import (
    angle_deg,
    ids,
    one_place,
    read_json,
    separation_deg,
    table_at,
    utc_s,
)

CASES = read_json("bodies-reference.json")["cases"]
HANDBOOK = read_json("handbook-examples.json")
DIRECTION_DEG = 0.003


def altaz(ephemeris: Ephemeris, case: dict[str, Any], body: str) -> tuple[float, float]:
    at_s = utc_s(case["utc"])
    table, ground = table_at(ephemeris, at_s), one_place(case["lat_deg"], case["lon_deg"], case["elev_m"])
    if body == "galactic_centre":
        vector, near = table.fixed(CORE, at_s), False
    else:
        vector, near = table.body_km(Body(body), at_s), True
    altitude, azimuth = ground.altaz(vector[None, None], near=near)
    return float(altitude[0, 0]), float(azimuth[0, 0])


@pytest.mark.parametrize("body", ["sun", "moon", "galactic_centre"])
@pytest.mark.parametrize("case", CASES, ids=ids(CASES, "site", "utc"))
def test_bodies_stand_where_astropy_and_ephem_put_them(
    ephemeris: Ephemeris, case: dict[str, Any], body: str
) -> None:
    got = altaz(ephemeris, case, body)
    for library in ("astropy", "ephem"):
        want = case[body][f"{library}_alt_deg"], case[body][f"{library}_az_deg"]
        assert separation_deg(got, want) < DIRECTION_DEG
    assert got[0] == pytest.approx(case[body]["astropy_alt_deg"], abs=DIRECTION_DEG)


@pytest.mark.parametrize("case", CASES, ids=ids(CASES, "site", "utc"))
def test_the_moons_distance_and_light_agree_with_astropy(ephemeris: Ephemeris, case: dict[str, Any]) -> None:
    at_s = utc_s(case["utc"])
    table = table_at(ephemeris, at_s)
    distance_km = np.linalg.norm(table.body_km(Body.MOON, at_s))
    assert distance_km == pytest.approx(case["moon"]["distance_geocentric_km"], abs=1)
    lit = table.moon_lit(at_s)
    assert lit == pytest.approx(case["moon"]["illuminated_fraction_geocentric"], abs=1e-4)


def test_the_sun_is_nrels_example(ephemeris: Ephemeris) -> None:
    """Reda & Andreas 2003, table A5.1, which leaves UT1-UTC out: 0.002 degrees in azimuth."""
    spa = HANDBOOK["nrel_spa"]
    case = {**spa["inputs"]}
    altitude, azimuth = altaz(ephemeris, case, "sun")
    assert altitude == pytest.approx(spa["outputs"]["topocentric_elevation_airless_deg"], abs=0.0005)
    assert azimuth == pytest.approx(spa["outputs"]["azimuth_from_north_deg"], abs=0.0025)
    assert altitude == pytest.approx(spa["check_astropy"]["elevation_airless_deg"], abs=0.0002)
    assert azimuth == pytest.approx(spa["check_astropy"]["azimuth_deg"], abs=0.0003)


def _topocentric_dec_ra(
    ephemeris: Ephemeris, utc: str, place: tuple[float, float, float], body: str
) -> tuple[float, float]:
    at_s = utc_s(utc)
    table, ground = table_at(ephemeris, at_s), one_place(*place)
    vector = table.body_km(Body(body), at_s) - ground.place_km[0]
    ra = np.arctan2(vector[1], vector[0]) + table.sidereal_rad(at_s)
    return float(np.degrees(np.arcsin(vector[2] / np.linalg.norm(vector)))), float(np.degrees(ra))


ATLANTA = (33.76, -84.41, 322.0)
USNO = HANDBOOK["usno_positions"]
USNO_ROWS = [("sun", *row[:3]) for row in USNO["sun_topocentric_atlanta"]["rows"]] + [
    ("moon", *row) for row in USNO["moon_topocentric_atlanta"]["rows"]
]


@pytest.mark.parametrize(("body", "ut1", "ra", "dec"), USNO_ROWS)
def test_topocentric_places_agree_with_usno(
    ephemeris: Ephemeris, body: str, ut1: str, ra: str, dec: str
) -> None:
    """USNO MICA, by UT1, 0.4 s off UTC in 2007-2008: the Moon moves 0.2 arcseconds meanwhile."""
    got = _topocentric_dec_ra(ephemeris, ut1, ATLANTA, body)
    assert separation_deg(got, (angle_deg(dec), angle_deg(ra))) * 3600 < (1.5 if body == "moon" else 1)


ALMA = HANDBOOK["jpl_horizons"]["moon_alma_2020"]


@pytest.mark.parametrize(("utc", "ra_deg", "dec_deg"), ALMA["rows"])
def test_the_moon_agrees_with_jpl_horizons(
    ephemeris: Ephemeris, utc: str, ra_deg: float, dec_deg: float
) -> None:
    place = ALMA["lat_deg"], ALMA["lon_deg"], ALMA["elev_m"]
    got = _topocentric_dec_ra(ephemeris, utc, place, "moon")
    assert separation_deg(got, (dec_deg, ra_deg)) * 3600 < 1
