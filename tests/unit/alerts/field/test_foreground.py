"""The exposure for the land: by moonlight against a published table, and in the dark."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest

from alerts.common.span import Span
from alerts.field.foreground import (
    MOONLIT_STOPS,
    dark_sky_lux,
    expose,
    exposure_s,
    moonlit_lux,
    plan_foreground,
)
from alerts.sites.model import Site
from alerts.sky.brightness.laws import MoonPlaces
from alerts.sky.brightness.total import site_sky
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night, SkyWishes
from alerts.sky.nights.night_builder import nights

FLAT = Site("Windpump Flat", 40.31, -1.42, 1180.0, "Europe/Madrid")


def moon(altitude_deg: float, phase_deg: float, distance_km: float = 384_400.0) -> MoonPlaces:
    columns = (altitude_deg, 180.0, phase_deg, distance_km)
    return MoonPlaces(*(np.array([each]) for each in columns))


@pytest.mark.parametrize(
    ("phase_deg", "lowest_ev", "highest_ev"),
    [(5, -3, -2), (30, -4, -4), (90, -6, -6)],
    ids=["full", "gibbous", "quarter"],
)
@pytest.mark.parametrize("altitude_deg", [41, 55, 70])
def test_moonlit_land_is_exposed_as_the_tables_say(
    phase_deg: float, altitude_deg: float, lowest_ev: float, highest_ev: float
) -> None:
    """ANSI PH2.7 (1973, 1986) at ISO 100, Moon over 40 degrees: full -3 to -2, gibbous -4, quarter -6."""
    lux = float(moonlit_lux(moon(altitude_deg, phase_deg), 300.0)[0])
    needed_s = exposure_s(lux, 2.8, 100, MOONLIT_STOPS)
    ev = math.log2(8 / needed_s)
    assert lowest_ev - 0.5 <= ev <= highest_ev + 0.5


def test_a_full_moon_gives_what_is_published() -> None:
    """Kyba, Mohar & Posch 2017, Astronomy & Geophysics 58, 1.31: usually 0.05 to 0.1 lux, never over 0.32."""
    usual = [float(moonlit_lux(moon(altitude_deg, 5), 100.0)[0]) for altitude_deg in (15, 20, 25)]
    assert all(0.05 <= lux <= 0.12 for lux in usual)
    assert float(moonlit_lux(moon(90, 2, 356_500), 0.0)[0]) < 0.32
    assert float(moonlit_lux(moon(-0.5, 2), 0.0)[0]) == 0


def test_the_night_sky_gives_less_than_a_thousandth_of_a_lux() -> None:
    """A sky of 21.8 mag/arcsec² all over: π · 1.08e5 · 10^(-0.4 · 21.8) cd/m² (unit: Falchi et al. 2016)."""
    by_unit = math.pi * 1.08e5 * 10 ** (-0.4 * 21.8)
    sky = site_sky(FLAT)
    natural_only = dark_sky_lux(sky) - 1e-5 * sky.towns.zenith_nl
    assert natural_only == pytest.approx(by_unit, rel=0.03)


def test_the_meters_equation_holds_for_true_f_numbers() -> None:
    """N² / t = E S / 250: half a lux, f/2.8 (8), ISO 100: 40 s; a stop less: 20 s."""
    assert exposure_s(0.5, 2.8, 100, 0) == pytest.approx(40)
    assert exposure_s(0.5, 2.8, 100, 1) == pytest.approx(20)


@pytest.mark.parametrize(
    ("lux", "shutter_s", "iso", "dark_stops"),
    [
        (0.15, 8.0, 800, 0.0),  # 8.3 s
        (0.04, 30.0, 800, 0.0),  # 31.25 s: 30 s last 32 s
        (0.03, 20.0, 1600, 0.0),  # 41.7 s at ISO 800, 20.8 s
        (0.006, 25.0, 6400, 0.0),  # 26 s
        (0.004, 150.0, 1600, 0.0),  # 39 s at ISO 6400, so minutes: 156 s
        (0.001, 150.0, 6400, 0.0),  # 156 s
        (0.0001, 300.0, 6400, 2.38),  # 1562 s
    ],
)
def test_the_lowest_iso_that_a_time_on_the_dial_allows_is_taken(
    lux: float, shutter_s: float, iso: int, dark_stops: float
) -> None:
    """By hand: half of 250 · 8 / (lux · ISO) seconds."""
    found = expose(lux, 2.8, 1.0)
    assert found[:3] == (shutter_s, 2.8, iso)
    assert found[3] == pytest.approx(dark_stops, abs=0.01)


def made(name: date, ephemeris: Ephemeris) -> Night:
    (night,) = nights(FLAT, name, 1, SkyWishes(), ephemeris)
    return night


def test_the_moon_of_an_evening_lights_the_land_before_the_window(ephemeris: Ephemeris) -> None:
    """14 July 2027: a gibbous Moon sets in the night; until then it lights the land."""
    night = made(date(2027, 7, 14), ephemeris)
    dusk = night.nautical.first_set
    assert dusk is not None
    stay = Span(dusk - timedelta(hours=1), night.over_at)
    found = plan_foreground(FLAT, night, stay, 2.8, ephemeris)
    assert found.best_at is not None
    assert found.lit[0].start == dusk
    assert found.lit[-1].end == night.moon.sets[-1]
    assert found.lit[0].start <= found.best_at <= found.lit[-1].end
    assert found.brighter_stops > 4
    assert found.shutter_s <= 30


def test_without_a_moon_the_land_takes_minutes(ephemeris: Ephemeris) -> None:
    """Common practice at f/2.8 in a dark place: some minutes at ISO 3200 or so."""
    night = made(date(2027, 7, 4), ephemeris)
    stay = Span(night.span.start, night.over_at)
    found = plan_foreground(FLAT, night, stay, 2.8, ephemeris)
    assert (found.lit, found.best_at, found.brighter_stops) == ((), None, 0)
    assert found.iso == 3200
    assert 120 <= found.shutter_s <= 300


def test_who_leaves_before_the_moon_rises_is_told_of_no_moon(ephemeris: Ephemeris) -> None:
    night = made(date(2027, 7, 24), ephemeris)
    (rise,) = night.moon.rises
    early = plan_foreground(FLAT, night, Span(night.span.start, rise), 2.8, ephemeris)
    late = plan_foreground(FLAT, night, Span(night.span.start, night.over_at), 2.8, ephemeris)
    assert early.best_at is None
    assert late.best_at is not None
    assert late.lit[0].start >= rise
