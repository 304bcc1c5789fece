"""Places on the Earth as feeds take them: regions, short degrees, and cells that share a request."""

from __future__ import annotations

from dataclasses import dataclass

from alerts.weather.forecast import Place
from alerts.weather.line_of_sight import cell_of

SHARED_CLIMB_M = 100.0
"""Heights in one step of this size share a request: only temperature is corrected for height, and half a step
is 0.3 degrees."""


@dataclass(frozen=True, slots=True)
class Region:
    """A region, degrees, edges included."""

    south: float
    north: float
    west: float
    east: float

    def contains(self, place: Place) -> bool:
        return self.south <= place.lat_deg <= self.north and self.west <= place.lon_deg <= self.east


def short_degrees(degrees: float) -> str:
    """Degrees with at most four decimals and no trailing zeros, as both MET and the NWS want them."""
    text = f"{degrees:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def cell_key(prefix: str, place: Place, step_deg: float, *, by_height: bool = True) -> str:
    """Under which the answer for a place, and for its neighbours in a cell of that side, is kept."""
    lat_deg, lon_deg = cell_of(place.lat_deg, place.lon_deg, step_deg)
    is_known = by_height and place.elevation_m is not None
    height = f",{round((place.elevation_m or 0.0) / SHARED_CLIMB_M)}" if is_known else ""
    return f"{prefix}{short_degrees(lat_deg)},{short_degrees(lon_deg)}{height}"
