"""The zones of whole tiles are those that the borders give."""

from __future__ import annotations

import math
import random

import pytest
import tzfpy

from service.common.zone_tiles import tiles
from service.common.zone_tiles.tiles import ZOOMS, find_zone, packaged_tiles


def _corner(zoom: int, x: float, y: float) -> tuple[float, float]:
    lat_deg = math.degrees(math.atan(math.sinh(math.pi * (1 - 2 * y / 2**zoom))))
    return lat_deg, x / 2**zoom * 360 - 180


def test_in_every_tile_the_zone_is_that_of_tzfpy() -> None:
    """Under a tzfpy that they weren't taken from none answers, until `make_tiles` writes them anew."""
    chance, answered = random.Random(5), 0
    for key in packaged_tiles().key.tolist():
        zoom, x, y = key >> 20, key >> 10 & 1023, key & 1023
        assert zoom in ZOOMS
        lat_deg, lon_deg = _corner(zoom, x + chance.random(), y + chance.random())
        found = find_zone(lat_deg, lon_deg)
        answered += found is not None
        assert found in (None, tzfpy.get_tz(lon_deg, lat_deg)), (lat_deg, lon_deg)
    if packaged_tiles().made_from == tiles.tzfpy_version():
        assert answered > 0.99 * len(packaged_tiles().key)
    else:
        assert answered == 0


def test_over_the_sphere_it_says_the_same_or_nothing() -> None:
    chance = random.Random(7)
    for _ in range(20_000):
        lat_deg, lon_deg = math.degrees(math.asin(chance.uniform(-1, 1))), chance.uniform(-180, 180)
        assert find_zone(lat_deg, lon_deg) in (None, tzfpy.get_tz(lon_deg, lat_deg)), (lat_deg, lon_deg)


def test_of_another_version_of_tzfpy_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tiles, "tzfpy_version", lambda: packaged_tiles().made_from)
    assert find_zone(40, -3) == "Europe/Madrid"
    monkeypatch.setattr(tiles, "tzfpy_version", lambda: "0.1")
    assert find_zone(40, -3) is None


@pytest.mark.parametrize(("lat_deg", "lon_deg"), [(90, 0), (-90, 0), (40, 180), (40, -180), (85.06, 20)])
def test_off_the_map_nothing_is_said(lat_deg: float, lon_deg: float) -> None:
    assert find_zone(lat_deg, lon_deg) is None
