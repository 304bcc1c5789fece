"""Refraction against its published formulas and two libraries, the standard atmosphere, and ridges seen
through it."""

from __future__ import annotations

import math
from datetime import date

import ephem
import erfa
import numpy as np
import pytest

from alerts.sites.horizon import Ridges
from alerts.sites.model import HorizonLine, Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes
from alerts.sky.nights.night_builder import night_named
from alerts.sky.refraction import (
    AirlessRidges,
    air_share,
    airless_ridge_deg,
    refraction_at_apparent_deg,
    refraction_deg,
)
from tests.unit.alerts.sky.reference import airless_deg, read_rows

TABLE = read_rows("refraction-bennett-1982.csv")
LEVEL = HorizonLine()
ZERO = HorizonLine((0.0, 90.0, 180.0, 270.0), (0.0, 0.0, 0.0, 0.0))


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row["altitude_deg"])
def test_both_formulas_give_their_table(row: dict[str, str]) -> None:
    altitude = float(row["altitude_deg"])
    by_bennett, by_saemundsson = (
        float(row[name]) for name in ("bennett_arcmin_from_apparent", "saemundsson_arcmin_from_true")
    )
    assert refraction_at_apparent_deg(altitude) * 60 == pytest.approx(max(by_bennett, 0), abs=6e-4)
    assert refraction_deg(altitude) * 60 == pytest.approx(max(by_saemundsson, 0), abs=6e-4)


def test_the_worked_example_comes_out() -> None:
    """Meeus, Astronomical Algorithms, 2nd ed., example 16.a."""
    assert refraction_at_apparent_deg(0.5) * 60 == pytest.approx(28.754, abs=5e-4)
    assert refraction_deg(33.246 / 60) * 60 == pytest.approx(24.618, abs=5e-4)


@pytest.mark.parametrize("apparent_deg", [-0.5, 0.0, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 15.0, 30.0, 60.0])
@pytest.mark.parametrize("elevation_m", [0.0, 1000.0, 4000.0])
def test_pyephem_agrees_to_half_a_minute_of_arc(apparent_deg: float, elevation_m: float) -> None:
    temperature_c = 15 - 0.0065 * elevation_m
    pressure_hpa = 1013.25 * (1 - 0.0065 * elevation_m / 288.15) ** 5.25588
    lifted = apparent_deg - airless_deg(apparent_deg, pressure_hpa, temperature_c)
    ours = air_share(elevation_m) * refraction_at_apparent_deg(apparent_deg)
    assert ours * 60 == pytest.approx(lifted * 60, abs=0.5)


@pytest.mark.parametrize("apparent_deg", [10.0, 20.0, 45.0, 70.0])
def test_erfa_agrees_where_its_series_holds(apparent_deg: float) -> None:
    a, b = erfa.refco(1010.0, 10.0, 0.0, 0.574)
    tangent = math.tan(math.radians(90 - apparent_deg))
    lifted = math.degrees(a * tangent + b * tangent**3)
    assert refraction_at_apparent_deg(apparent_deg) * 60 == pytest.approx(lifted * 60, rel=0.035)


@pytest.mark.parametrize(
    ("elevation_m", "pressure_hpa", "temperature_k"),
    [(0, 1013.25, 288.15), (1000, 898.75, 281.65), (11_000, 226.32, 216.65)],
    ids=["sea", "1 km", "11 km"],
)
def test_the_air_is_the_standard_atmospheres(
    elevation_m: float, pressure_hpa: float, temperature_k: float
) -> None:
    """Values of the International Standard Atmosphere, ICAO Doc 7488."""
    want = pressure_hpa / 1010 * 283 / temperature_k
    assert air_share(elevation_m) == pytest.approx(want, rel=2e-4)


# --- ridges ------------------------------------------------------------------------------------------


def test_a_known_ridge_is_seen_through_the_air_and_an_assumed_level_is_not() -> None:
    azimuths = np.arange(0.0, 360.0, 7.0)
    assert not airless_ridge_deg(LEVEL, 0.0, azimuths).any()
    known = airless_ridge_deg(ZERO, 0.0, azimuths)
    assert known == pytest.approx(np.full(len(azimuths), -0.985 * 34.478 / 60), abs=2e-3)
    assert (airless_ridge_deg(ZERO, 3000.0, azimuths) > known).all()


def test_many_ridges_are_what_each_is_alone_and_bound_what_they_give() -> None:
    lines = [HorizonLine((0.0, 90.0, 180.0, 270.0), (-4.0, 3.0, 25.0, 0.5)), LEVEL, ZERO]
    elevation_m = np.array([2500.0, 900.0, 10.0])
    ridges, azimuths = AirlessRidges(lines, elevation_m), np.arange(0.0, 360.0, 1.5)
    for row, (line, height_m) in enumerate(zip(lines, elevation_m.tolist(), strict=True)):
        together = ridges.at(np.full(len(azimuths), row), azimuths)
        assert together == pytest.approx(airless_ridge_deg(line, height_m, azimuths), abs=1e-12)
        assert together.max() <= ridges.highest[row] + 1e-12
        assert together.min() >= ridges.lowest[row] - 1e-12
    seen = Ridges(lines).at(np.zeros(len(azimuths), dtype=np.intp), azimuths)
    assert (ridges.at(np.zeros(len(azimuths), dtype=np.intp), azimuths) <= seen).all()


@pytest.mark.parametrize(("lat", "height_m"), [(40.0, 0.0), (28.0, 2400.0), (-31.0, 1200.0)])
def test_the_core_clears_a_ridge_when_pyephem_sees_it_over_it(
    ephemeris: Ephemeris, lat: float, height_m: float
) -> None:
    """To 10 s where the core climbs: half a minute of arc between the two laws of refraction."""
    wall = HorizonLine((0.0, 90.0, 180.0, 270.0), (12.0, 12.0, 12.0, 12.0))
    site = Site("Walled", lat, 20.0, height_m, horizon=wall)
    (window,) = night_named(site, date(2026, 7, 14), SkyWishes(lowest_altitude_deg=3.0), ephemeris).windows
    observer = ephem.Observer()
    observer.lat, observer.lon, observer.elevation = str(lat), "20", height_m
    observer.pressure = 1013.25 * (1 - 0.0065 * height_m / 288.15) ** 5.25588
    observer.temp = 15 - 0.0065 * height_m
    core = ephem.FixedBody()
    core._ra, core._dec = ephem.hours(math.radians(266.40499)), ephem.degrees(math.radians(-28.93617))
    observer.date = ephem.Date(window.span.end)
    core.compute(observer)
    rate_deg_s = 15 / 3600 * math.cos(math.radians(lat)) * abs(math.sin(core.az))
    assert abs(math.degrees(core.alt) - 12.0) <= 10 * rate_deg_s
