"""What is known of a place from its coordinates alone."""

from __future__ import annotations

from alerts.common.clock_times import zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.field.place_doubts import PlaceDoubts, place_doubts
from alerts.field.trip_plan import Home
from service.common.zone_tiles.tiles import find_zone


def zone_at(lat_deg: float, lon_deg: float) -> str:
    """The IANA zone at these coordinates, offline; `Etc/GMT±h` at sea.

    BadInput when the table has none, naming the option that sets it by hand.
    """
    zone = find_zone(lat_deg, lon_deg)
    if zone is None:
        import tzfpy

        zone = tzfpy.get_tz(lon_deg, lat_deg)
    if not zone:
        raise BadInput(phrase("service-common.no-zone", lat_deg=lat_deg, lon_deg=lon_deg))
    zone_info(zone)
    return zone


def is_at_sea(zone: str) -> bool:
    """Whether a zone from `zone_at` only follows the longitude, as no land's zone is known there."""
    return zone.startswith("Etc/")


def doubts(lat_deg: float, lon_deg: float, home: Home | None) -> PlaceDoubts | None:
    """What makes one ask whether that place is meant; None when nothing does.

    home: the person's, if they told. Water within 12 nautical miles of a coast counts as land, lakes do too.
    """
    return place_doubts(lat_deg, lon_deg, home, lambda lat, lon: is_at_sea(zone_at(lat, lon)))
