"""What makes one ask whether a place is meant: it lies at sea, or far from home."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from alerts.common.phrases import say
from alerts.field.trip_plan import Home
from alerts.sites.coordinates import say_lat_lon

FAR_KM = 1000.0
"""Beyond this from home somebody is asked: farther than a night's drive, nearer than most slips lead."""


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


def place_doubts(
    lat_deg: float,
    lon_deg: float,
    home: Home | None,
    is_at_sea: Callable[[float, float], bool],
) -> PlaceDoubts | None:
    """What speaks against that place; None when nothing does. home: where the person sets out, if known."""

    at_sea, away_km = is_at_sea(lat_deg, lon_deg), home.away_km(lat_deg, lon_deg) if home else 0.0
    if not at_sea and away_km <= FAR_KM:
        return None
    is_likelier = (
        abs(lon_deg) <= 90
        and not is_at_sea(lon_deg, lat_deg)
        and (home is None or home.away_km(lon_deg, lat_deg) < away_km)
    )
    return PlaceDoubts(
        lat_deg,
        lon_deg,
        at_sea,
        away_km if away_km > FAR_KM else None,
        (lon_deg, lat_deg) if is_likelier else None,
    )
