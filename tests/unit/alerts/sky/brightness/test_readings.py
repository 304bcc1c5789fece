"""Readings: which count, what a class stands for, and what is no reading at all."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from alerts.common.errors import BadInput
from alerts.sites.model import Darkness, Site
from alerts.sky.brightness.readings import (
    LOWER_BOUNDS_MAG,
    BortleConvention,
    Reading,
    darkness_of_class,
    darkness_of_readings,
    stray_light_share,
)
from alerts.sky.ephemeris import Ephemeris
from tests.unit.alerts.sky.brightness.reference import published

SITE = Site("Here", 45.0, 7.0, 1500.0, "Europe/Rome")
NEW_MOON = datetime(2026, 8, 12, 23, tzinfo=UTC)  # USNO: new Moon 12 August 2026, 17:37
FULL_MOON = datetime(2026, 8, 28, 0, tzinfo=UTC)  # USNO: full Moon 28 August 2026, 04:18
DUSK = datetime(2026, 8, 12, 19, 15, tzinfo=UTC)


@pytest.mark.parametrize("mag", [11.9, 23.1, 0, -5, float("nan"), float("inf")])
def test_a_reading_out_of_range_is_refused(mag: float) -> None:
    with pytest.raises(BadInput, match="between 12 and 23 mag/arcsec²"):
        Darkness(mag)
    with pytest.raises(BadInput, match="between 12 and 23 mag/arcsec²"):
        Reading(mag, clear=True)


@pytest.mark.parametrize("mag", [12.0, 21.9, 23.0])
def test_the_ends_of_the_range_are_readings(mag: float) -> None:
    assert Darkness(mag).sqm_mag_arcsec2 == mag


def test_a_reading_at_a_time_without_zone_is_refused() -> None:
    with pytest.raises(BadInput, match="has no zone"):
        Reading(21.5, clear=True, measured_at=NEW_MOON.replace(tzinfo=None))


@pytest.mark.parametrize(
    ("reading", "counts"),
    [
        (Reading(21.5, clear=True, measured_at=NEW_MOON), True),
        (Reading(18.5, clear=True, measured_at=FULL_MOON), False),
        (Reading(18.5, clear=True, moonless=True, measured_at=FULL_MOON), False),
        (Reading(19.0, clear=True, measured_at=DUSK), False),
        (Reading(21.5, clear=False, measured_at=NEW_MOON), False),
        (Reading(21.5, clear=True, moonless=True), True),
        (Reading(21.5, clear=True), False),
    ],
    ids=[
        "new Moon",
        "full Moon",
        "said moonless, but full",
        "dusk",
        "cloud",
        "said moonless",
        "nothing said",
    ],
)
def test_moonless_clear_readings_count(reading: Reading, counts: bool, ephemeris: Ephemeris) -> None:
    assert (darkness_of_readings(SITE, [reading], ephemeris) is not None) == counts


def test_the_median_of_those_that_count_is_the_sites_darkness(ephemeris: Ephemeris) -> None:
    readings = [
        Reading(21.40, clear=True, measured_at=NEW_MOON),
        Reading(21.52, clear=True, moonless=True, measured_on=date(2025, 3, 1)),
        Reading(22.40, clear=True, moonless=True),
        Reading(18.20, clear=True, measured_at=FULL_MOON),
        Reading(23.00, clear=False, moonless=True),
    ]
    darkness = darkness_of_readings(SITE, readings, ephemeris)
    assert darkness == Darkness(21.52, date(2026, 8, 13), n_readings=3)


def test_when_none_counts_nothing_is_known(ephemeris: Ephemeris) -> None:
    assert darkness_of_readings(SITE, [Reading(18.2, clear=True, measured_at=FULL_MOON)], ephemeris) is None
    assert darkness_of_readings(SITE, [], ephemeris) is None


def test_stray_light_is_told_as_a_share(ephemeris: Ephemeris) -> None:
    assert stray_light_share(SITE, NEW_MOON, ephemeris) == 0
    assert stray_light_share(SITE, FULL_MOON, ephemeris) > 5


def class_of_reading(mag_arcsec2: float, convention: BortleConvention) -> int:
    """The Bortle class of a reading; the first one below a convention's last bound stands for the rest."""
    bounds = LOWER_BOUNDS_MAG[convention]
    return next((number for number, bound in enumerate(bounds, 1) if mag_arcsec2 >= bound), len(bounds) + 1)


@pytest.mark.parametrize("convention", list(BortleConvention))
def test_the_bounds_are_the_published_ones(convention: BortleConvention) -> None:
    bounds = published("sky-brightness.json")["bortle_lower_bounds_mag_arcsec2"][convention.value]
    assert tuple(bounds.values()) == LOWER_BOUNDS_MAG[convention]


@pytest.mark.parametrize("convention", list(BortleConvention))
def test_a_class_is_stored_as_a_reading_inside_its_bounds(convention: BortleConvention) -> None:
    bounds = LOWER_BOUNDS_MAG[convention]
    for number, bound in enumerate(bounds, start=1):
        reading = darkness_of_class(number, convention).sqm_mag_arcsec2
        assert reading >= bound
        assert class_of_reading(reading, convention) == number
    readings = [darkness_of_class(number, convention).sqm_mag_arcsec2 for number in range(1, 10)]
    assert readings == sorted(readings, reverse=True)
    assert readings[-1] >= 12


def test_the_class_and_its_convention_stay_beside_the_reading() -> None:
    darkness = darkness_of_class(3, BortleConvention.ENCYCLOPEDIA, date(2026, 7, 1))
    assert darkness == Darkness(21.4, date(2026, 7, 1), 3, "encyclopedia")
    assert darkness_of_class(4).convention == "atlas_chart"


def test_the_two_conventions_disagree() -> None:
    assert class_of_reading(21.6, BortleConvention.ENCYCLOPEDIA) == 2
    assert class_of_reading(21.6, BortleConvention.ATLAS_CHART) == 4


@pytest.mark.parametrize("number", [0, 10, -1, 100])
def test_a_class_out_of_range_is_refused(number: int) -> None:
    with pytest.raises(BadInput, match=r"from 1 \(darkest\) to 9"):
        darkness_of_class(number)


@pytest.mark.parametrize(
    ("convention", "last"), [(BortleConvention.ENCYCLOPEDIA, 7), (BortleConvention.ATLAS_CHART, 8)]
)
def test_the_brightest_class_stands_for_what_a_convention_does_not_tell_apart(
    convention: BortleConvention, last: int
) -> None:
    assert class_of_reading(15.0, convention) == last
