"""Which clock a place keeps, from its coordinates alone."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from alerts.common.errors import BadInput
from alerts.field.trip_plan import Home
from alerts.sites.coordinates import parse_lat_lon
from service.common.timezones import doubts, is_at_sea, zone_at

ON_LAND = {
    "Teruel": (40.3, -1.4, "Europe/Madrid"),
    "Hawaii": (19.7, -155.5, "Pacific/Honolulu"),
    "Samoa, west of the date line by its clock": (-13.8, -171.8, "Pacific/Apia"),
    "Nepal": (27.7, 85.3, "Asia/Kathmandu"),
    "Lord Howe": (-31.55, 159.08, "Australia/Lord_Howe"),
    "the South Pole": (-90.0, 0.0, "Antarctica/McMurdo"),
}
AT_SEA = {
    "Gulf of Guinea": (0.0, 0.0, 0),
    "mid-Atlantic": (40.0, -30.0, -2),
    "mid-Pacific": (5.0, -160.0, -11),
    "just west of 180°": (0.0, 179.9, 12),
    "just east of it": (0.0, -179.9, -12),
    "the North Pole": (90.0, 0.0, 0),
}


@pytest.mark.parametrize(("lat_deg", "lon_deg", "zone"), ON_LAND.values(), ids=ON_LAND.keys())
def test_row_17_on_land_the_zone_is_the_lands(lat_deg: float, lon_deg: float, zone: str) -> None:
    assert zone_at(lat_deg, lon_deg) == zone
    assert not is_at_sea(zone)


@pytest.mark.parametrize(("lat_deg", "lon_deg", "hours"), AT_SEA.values(), ids=AT_SEA.keys())
def test_row_17_at_sea_the_clock_follows_the_longitude(lat_deg: float, lon_deg: float, hours: int) -> None:
    zone = zone_at(lat_deg, lon_deg)
    assert is_at_sea(zone)
    offset = datetime(2026, 7, 1, tzinfo=UTC).astimezone(ZoneInfo(zone)).utcoffset()
    assert offset == timedelta(hours=hours)
    assert abs(hours - lon_deg / 15) <= 1


def test_row_17_where_no_zone_is_known_the_way_out_is_named() -> None:
    with pytest.raises(BadInput, match="--zone"):
        zone_at(10.0, 200.0)


HOME = Home(40.4, -1.1)
DOUBTED = {
    "at sea": ((52.0, 3.0), None, (True, False, None)),
    "at sea, and land the other way round": ((41.0, 2.0), None, (True, False, (2.0, 41.0))),
    "at sea near home, which the other way round isn't": ((40.31, 1.42), HOME, (True, False, None)),
    "on land, with no home told": ((-1.42, 40.31), None, None),
    "swapped, far from home": ((-1.42, 40.31), HOME, (False, True, (40.31, -1.42))),
    "far from home either way": ((-33.5, 18.25), HOME, (False, True, None)),
    "far out at sea": ((52.0, -30.0), HOME, (True, True, None)),
    "no latitude the other way round": ((35.0, 139.5), HOME, (False, True, None)),
    "within a day's drive": ((43.0, 3.0), HOME, None),
    "home": ((40.4, -1.1), HOME, None),
}


@pytest.mark.parametrize(("at", "home", "expected"), DOUBTED.values(), ids=DOUBTED)
def test_row_226_a_place_at_sea_or_far_from_home_is_asked_about(
    at: tuple[float, float],
    home: Home | None,
    expected: tuple[bool, bool, tuple[float, float] | None] | None,
) -> None:
    found = doubts(*at, home)
    assert (found and (found.at_sea, found.away_km is not None, found.swapped)) == expected


def test_row_226_the_question_says_where_how_far_and_what_else_it_may_be() -> None:
    found = doubts(-1.42, 40.31, HOME)
    assert found is not None
    assert found.text == (
        "1.4200° S, 40.3100° E lies 6,260 km from home. Did you mean 40.3100° N, 1.4200° W?"
    )
    assert parse_lat_lon(found.swapped_typed) == (40.31, -1.42)
    at_sea = doubts(52.0, -30.0, HOME)
    assert at_sea is not None
    assert re.fullmatch(r"52\.0000° N, 30\.0000° W lies at sea, 2,\d\d\d km from home\.", at_sea.text)
