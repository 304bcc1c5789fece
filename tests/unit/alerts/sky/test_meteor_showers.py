"""Meteor showers against the International Meteor Organization's calendar."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.meteor_showers import active_showers, peak_near, shower_list
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
    for year in range(2024, 2029):
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
    """Table 5 of the 2025 calendar has 37 entries; three of the strongest, as printed."""
    assert len(shower_list()) == 37
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
    assert best.hourly == pytest.approx(88, abs=4)  # 100 sin h


def test_days_from_the_peak_are_signed(ephemeris: Ephemeris) -> None:
    before, after = date(2026, 8, 9), date(2026, 8, 15)
    early = active_showers(FLAT, before, dark_of(FLAT, before, ephemeris), ephemeris)
    late = active_showers(FLAT, after, dark_of(FLAT, after, ephemeris), ephemeris)
    found = [next(s for s in showers if s.name == "Perseids") for showers in (early, late)]
    assert [round(shower.days_to_peak) for shower in found] == [3, -3]
    assert [shower.hourly for shower in found] == [None, None]
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
