"""Regions as boxes of degrees, drawn generously."""

from __future__ import annotations

from dataclasses import dataclass

from alerts.weather.forecast import Place


@dataclass(frozen=True, slots=True)
class Region:
    """A region, degrees, edges included."""

    south: float
    north: float
    west: float
    east: float

    def contains(self, place: Place) -> bool:
        return self.south <= place.lat_deg <= self.north and self.west <= place.lon_deg <= self.east
