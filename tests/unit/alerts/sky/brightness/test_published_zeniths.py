"""The estimate against brightnesses of the zenith that were published, from mountain observatories to city
centres. Its four constants were fitted to 49 of these; each third of them, left out of the fit in its turn,
came out within 0.4 mag at 36 of the 49 and within 0.8 at 43. By Walker's law, as it was before, 24 and 38.

What limits it: lamps differ from country to country, and people are all that is known. Suburbs tend to come
out too dark, by 0.4 mag in the middle of the four counted, one of them for want of towns in the extract."""

from __future__ import annotations

import csv
from collections import Counter

import numpy as np
import pytest

from alerts.sites.model import Site
from alerts.sky.brightness.laws import mag_from_nl
from alerts.sky.brightness.total import site_sky
from tests.unit.alerts.sky.brightness.reference import DATA, zenith_nl

with (DATA / "zenith-brightness.csv").open(encoding="utf-8") as lines:
    PLACES = list(csv.DictReader(line for line in lines if not line.startswith("#")))
COUNTED = [row for row in PLACES if row["counted"] == "yes"]
NEAR_MILAN = {"Trezzano sul Naviglio", "San Vito di Gaggiano"}
"""Too dark: Milan's suburbs were taken for its districts when the towns' extract was made, and GeoNames as it
was at hand can't tell one from the other."""


def off_mag(row: dict[str, str]) -> float:
    """By how much the estimate is darker than what was published."""
    site = Site("There", float(row["lat_deg"]), float(row["lon_deg"]), float(row["elevation_m"]))
    return float(mag_from_nl(zenith_nl(site_sky(site)))) - float(row["mag_arcsec2"])


def test_there_are_forty_places_of_seven_kinds_each_with_its_source() -> None:
    assert len(COUNTED) >= 40
    assert len(Counter(row["kind"] for row in COUNTED)) == 7
    assert len({row["name"] for row in PLACES}) == len(PLACES)
    assert all(len(row["source"]) > 20 for row in PLACES)


def test_of_55_places_43_are_met_within_four_tenths_of_a_magnitude() -> None:
    off = np.abs([off_mag(row) for row in COUNTED])
    assert (off <= 0.4).sum() >= 43
    assert np.sqrt((off**2).mean()) < 0.4


@pytest.mark.parametrize("row", COUNTED, ids=lambda row: row["name"])
def test_none_is_missed_by_more_than_eight_tenths_but_near_milan(row: dict[str, str]) -> None:
    assert abs(off_mag(row)) <= (1.2 if row["name"] in NEAR_MILAN else 0.8)


def test_what_had_no_part_in_the_fit_is_met_too() -> None:
    off = np.abs([off_mag(row) for row in COUNTED if row["fitted"] == "no"])
    assert len(off) == 6
    assert (off <= 0.4).sum() >= 4


@pytest.mark.parametrize("kind", sorted({row["kind"] for row in COUNTED}))
def test_no_kind_of_place_is_too_bright_or_too_dark_as_a_whole(kind: str) -> None:
    off = [off_mag(row) for row in COUNTED if row["kind"] == kind and row["fitted"] == "yes"]
    assert abs(float(np.median(off))) <= 0.3
