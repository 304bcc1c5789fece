"""Meteor showers against the International Meteor Organization's calendar."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from alerts.sites.model import Site
from alerts.sky.brightness.laws import mag_from_nl
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.meteor_showers import (
    active_showers,
    hourly_rate,
    limiting_mag,
    peak_near,
    shower_list,
    solar_longitude_deg,
)
from alerts.sky.night import SkyWishes
from alerts.sky.nights.night_builder import night_named
from tests.unit.alerts.field.tables import rows_of

MAXIMA = rows_of("meteor-shower-maxima.csv")
FLAT = Site("Windpump Flat", 40.31, -1.42, 1180, "Europe/Madrid")
SOUTH = Site("Dry Lake", -30.0, 20.0, 900, "Africa/Johannesburg")
BY_CODE = {shower.code: shower for shower in shower_list()}


@pytest.mark.parametrize("row", MAXIMA, ids=lambda row: row["code"])
def test_maxima_fall_where_the_sun_reaches_the_listed_longitude(row: dict[str, str]) -> None:
    """Against astropy with DE421; the short formula for the Sun is good to a quarter of an hour."""
    for year in range(2026, 2031):
        expected = datetime.fromisoformat(row[f"max_utc_{year}"])
        found = peak_near(BY_CODE[row["code"]], expected + timedelta(days=70))
        assert abs(found - expected) < timedelta(minutes=15)


@pytest.mark.parametrize(
    ("code", "printed"),
    [
        ("QUA", datetime(2025, 1, 3, 15, 0, tzinfo=UTC)),
        ("LYR", datetime(2025, 4, 22, 13, 30, tzinfo=UTC)),
        ("LEO", datetime(2025, 11, 17, 18, 0, tzinfo=UTC)),
        ("GEM", datetime(2025, 12, 14, 8, 0, tzinfo=UTC)),
    ],
)
def test_maxima_agree_with_the_printed_calendar(code: str, printed: datetime) -> None:
    """IMO 2025 Meteor Shower Calendar; times printed to a half or whole hour."""
    assert abs(peak_near(BY_CODE[code], printed) - printed) < timedelta(minutes=35)


def test_the_list_is_whole() -> None:
    """Table 5 of the 2025 calendar has 37 entries, that of 2026 drops one of them; three of the strongest."""
    assert len(shower_list()) == 36
    assert "DAU" not in BY_CODE
    assert {code: BY_CODE[code].zhr for code in ("QUA", "PER", "GEM", "JBO")} == {
        "QUA": 80,
        "PER": 100,
        "GEM": 150,
        "JBO": None,
    }


@pytest.mark.parametrize(
    ("code", "day", "is_active"),
    [
        ("QUA", date(2026, 12, 28), True),
        ("QUA", date(2026, 12, 31), True),
        ("QUA", date(2027, 1, 12), True),
        ("QUA", date(2027, 1, 13), False),
        ("PER", date(2026, 7, 16), False),
        ("PER", date(2026, 7, 17), True),
        ("PER", date(2026, 8, 24), True),
    ],
)
def test_activity_may_pass_new_year(code: str, day: date, is_active: bool) -> None:
    assert BY_CODE[code].is_active(day) is is_active


def dark_of(site: Site, name: date, ephemeris: Ephemeris):  # type: ignore[no-untyped-def]
    return night_named(site, name, SkyWishes(), ephemeris).dark


def test_the_perseids_on_their_night(ephemeris: Ephemeris) -> None:
    """2026: maximum 13 August 02:09 UTC (astropy); the radiant, at +58°, climbs until dawn."""
    name = date(2026, 8, 12)
    best = active_showers(FLAT, name, dark_of(FLAT, name, ephemeris), ephemeris)[0]
    assert best.name == "Perseids"
    assert abs(best.days_to_peak) < 0.1
    assert best.highest.altitude_deg == pytest.approx(62, abs=3)
    # the maximum at 02:09 and the radiant at 55°: 100 sin h, less what towns and air leave of magnitude 6.5
    assert best.hourly_at is not None
    assert best.limit_mag is not None
    assert best.hourly == pytest.approx(
        100 * math.sin(math.radians(60)) * 2.2 ** (best.limit_mag - 6.5), abs=6
    )
    assert (
        timedelta(hours=-1) < best.hourly_at - datetime(2026, 8, 13, 2, 50, tzinfo=UTC) < timedelta(hours=1)
    )


def test_days_from_the_peak_are_signed(ephemeris: Ephemeris) -> None:
    before, after = date(2026, 8, 9), date(2026, 8, 15)
    early = active_showers(FLAT, before, dark_of(FLAT, before, ephemeris), ephemeris)
    late = active_showers(FLAT, after, dark_of(FLAT, after, ephemeris), ephemeris)
    found = [next(s for s in showers if s.name == "Perseids") for showers in (early, late)]
    assert [round(shower.days_to_peak) for shower in found] == [3, -3]
    # 0.35 a degree either side: an eleventh of the maximum three days off
    assert all(3 <= (shower.hourly or 0) <= 12 for shower in found)
    assert all(shower.is_worth_a_line for shower in found)


def test_a_radiant_below_the_horizon_is_no_shower(ephemeris: Ephemeris) -> None:
    """The Ursids' radiant, at +76°, never rises at 30° S."""
    name = date(2026, 12, 21)
    names = [s.name for s in active_showers(SOUTH, name, dark_of(SOUTH, name, ephemeris), ephemeris)]
    assert "Ursids" not in names
    assert "Puppid-Velids" not in names  # over since the 15th


def test_showers_by_day_and_nights_without_darkness_give_none(ephemeris: Ephemeris) -> None:
    name = date(2026, 6, 7)
    names = [s.name for s in active_showers(FLAT, name, dark_of(FLAT, name, ephemeris), ephemeris)]
    assert "Daytime Arietids" not in names
    assert active_showers(FLAT, name, (), ephemeris) == ()


@pytest.mark.parametrize(
    ("zhr", "population", "limit_mag", "altitude_deg", "hourly"),
    [
        (100, 2.2, 6.5, 90, 100),
        (100, 2.2, 6.5, 30, 50),
        (100, 2.2, 5.5, 60, 39.4),
        (150, 2.6, 5.0, 45, 25.3),
        (100, 2.2, 6.5, -5, 0),
    ],
)
def test_a_zenithal_rate_becomes_what_one_sees(
    zhr: float, population: float, limit_mag: float, altitude_deg: float, hourly: float
) -> None:
    """Worked by hand from HR = ZHR sin h / r^(6.5 - lm), Koschack & Rendtel 1990."""
    assert hourly_rate(zhr, population, limit_mag, altitude_deg) == pytest.approx(hourly, abs=0.05)


@pytest.mark.parametrize("brightness_nl", [54.0, 79.0, 400.0, 1500.0])
def test_the_faintest_star_is_that_of_the_papers_own_units(brightness_nl: float) -> None:
    """Schaefer 1990 in nanolamberts and foot-candles for night vision, constants from memory: the threshold
    is C (1 + sqrt(K B))^2 with log C = -9.80, log K = -1.90, and a magnitude -16.57 - 2.5 log of it."""
    threshold_fc = 10**-9.80 * (1 + math.sqrt(10**-1.90 * brightness_nl)) ** 2
    expected = -16.57 - 2.5 * math.log10(threshold_fc)
    assert limiting_mag(mag_from_nl(brightness_nl)) == pytest.approx(expected, abs=0.03)


def test_under_a_dark_sky_the_faintest_star_is_of_magnitude_six_and_a_half() -> None:
    assert limiting_mag(21.75) == pytest.approx(6.5, abs=0.02)


def test_a_shower_rises_and_falls_by_its_own_slopes() -> None:
    """Geminids: 0.150 a degree before, 0.462 after: half of 150 two degrees before and 0.65 after."""
    geminids = BY_CODE["GEM"]
    rates = geminids.zhr_at(262.2 + np.array([-2.007, 0, 0.6516, 359.0]))
    assert rates == pytest.approx([75, 150, 75, 150 * 10**-0.15], rel=0.001)
    assert BY_CODE["QUA"].zhr_at(np.array([283.15]))[0] == 80


def test_every_shower_of_known_strength_has_a_slope_with_its_source() -> None:
    for shower in shower_list():
        assert 0.02 < shower.rise < 10
        assert 0.02 < shower.fall < 10
        assert 1.5 < shower.population < 4


def test_comae_berenicids_have_moved_to_the_end_of_december() -> None:
    peak = peak_near(BY_CODE["COM"], datetime(2027, 12, 1, tzinfo=UTC))
    assert peak.date() == date(2027, 12, 23)
    assert solar_longitude_deg(peak) == pytest.approx(271.0, abs=0.01)


def test_the_moon_and_towns_take_meteors(ephemeris: Ephemeris) -> None:
    """Geminids of 2027 under a full Moon (13 December, 16:09 UTC) and of 2026 after a thin one; in a city."""
    city = Site("City", 40.42, -3.70, 650, "Europe/Madrid")
    found = {}
    for year, site in ((2026, FLAT), (2027, FLAT), (2026, city)):
        name = date(year, 12, 13)
        showers = active_showers(site, name, dark_of(site, name, ephemeris), ephemeris)
        found[year, site.name] = next(each for each in showers if each.name == "Geminids")
    dark, lit, town = found.values()
    assert dark.limit_mag is not None
    assert lit.limit_mag is not None
    assert town.limit_mag is not None
    assert dark.limit_mag - lit.limit_mag > 1.5
    assert dark.limit_mag - town.limit_mag > 1.5
    assert (dark.hourly or 0) > 4 * (lit.hourly or 0) > 0
    assert (dark.hourly or 0) > 4 * (town.hourly or 0) > 0


@pytest.mark.parametrize("year", [2025, 2031])
def test_row_252_years_that_the_list_does_not_cover_have_no_rate(ephemeris: Ephemeris, year: int) -> None:
    name = date(year, 8, 12)
    best = active_showers(FLAT, name, dark_of(FLAT, name, ephemeris), ephemeris)[0]
    assert (best.name, best.hourly, best.hourly_at) == ("Perseids", None, None)
