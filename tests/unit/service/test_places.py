"""Which clock a place keeps, from its coordinates alone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from alerts.errors import BadInput
from service.places import is_at_sea, zone_at

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
