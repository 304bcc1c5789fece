"""What is known of a place from its coordinates alone."""

from __future__ import annotations

from dataclasses import dataclass

from alerts.common.clock_times import zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.field.trip_plan import Home
from alerts.sites.coordinates import say_lat_lon

FAR_KM = 1000.0
"""Beyond this from home somebody is asked: farther than a night's drive, nearer than most slips lead."""


def zone_at(lat_deg: float, lon_deg: float) -> str:
    """The IANA zone at these coordinates, offline; `Etc/GMT±h` at sea.

    BadInput when the table has none, naming the option that sets it by hand.
    """
    import tzfpy

    zone = tzfpy.get_tz(lon_deg, lat_deg)
    if not zone:
        raise BadInput(phrase("service-common.no-zone", lat_deg=lat_deg, lon_deg=lon_deg))
    zone_info(zone)
    return zone


def is_at_sea(zone: str) -> bool:
    """Whether a zone from `zone_at` only follows the longitude, as no land's zone is known there."""
    return zone.startswith("Etc/")


@dataclass(frozen=True, slots=True)
class PlaceDoubts:
    """at_sea: no land's zone is known there. away_km: from home, where that is far. swapped: the two numbers
    the other way round, where that would be a likelier place."""

    lat_deg: float
    lon_deg: float
    at_sea: bool
    away_km: float | None
    swapped: tuple[float, float] | None

    @property
    def swapped_typed(self) -> str:
        """The swapped pair as one types it; empty where there is none."""
        return "" if self.swapped is None else ", ".join(f"{round(each, 6)}" for each in self.swapped)

    @property
    def text(self) -> str:
        """`48.1000° N, 5.0000° W lies at sea, 1,234 km from home. Did you mean 5.0000° S, 48.1000° E?`"""
        place = say_lat_lon(self.lat_deg, self.lon_deg)
        other = say_lat_lon(*self.swapped) if self.swapped else ""
        if self.away_km is None:
            return say("field.doubt-at-sea", place=place, is_swapped=bool(other), other=other)
        doubt = "field.doubt-at-sea-and-far" if self.at_sea else "field.doubt-far"
        return say(doubt, place=place, away_km=self.away_km, is_swapped=bool(other), other=other)


def doubts(lat_deg: float, lon_deg: float, home: Home | None) -> PlaceDoubts | None:
    """What makes one ask whether that place is meant; None when nothing does.

    home: where the person sets out, if they told. Water within 12 nautical miles of a coast counts as land,
    lakes do too.
    """
    at_sea, away_km = is_at_sea(zone_at(lat_deg, lon_deg)), home.away_km(lat_deg, lon_deg) if home else 0.0
    if not at_sea and away_km <= FAR_KM:
        return None
    is_likelier = (
        abs(lon_deg) <= 90
        and not is_at_sea(zone_at(lon_deg, lat_deg))
        and (home is None or home.away_km(lon_deg, lat_deg) < away_km)
    )
    swapped = (lon_deg, lat_deg) if is_likelier else None
    return PlaceDoubts(lat_deg, lon_deg, at_sea, away_km if away_km > FAR_KM else None, swapped)
