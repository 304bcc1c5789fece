"""Distances over the Earth, taken as a sphere."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

Degrees = TypeVar("Degrees", float, "npt.NDArray[np.float64]")

EARTH_RADIUS_KM = 6371.0088
"""Mean radius of the Earth, IUGG (Moritz, Geodetic Reference System 1980)."""


def distance_km(from_lat_deg: float, from_lon_deg: float, to_lat_deg: float, to_lon_deg: float) -> float:
    """Great-circle distance on a sphere (haversine); within 0.6 % of the ellipsoid's."""
    lat1, lat2 = math.radians(from_lat_deg), math.radians(to_lat_deg)
    half_lat, half_lon = (lat2 - lat1) / 2, math.radians(to_lon_deg - from_lon_deg) / 2
    chord = math.sin(half_lat) ** 2 + math.cos(lat1) * math.cos(lat2) * math.sin(half_lon) ** 2
    return 2 * EARTH_RADIUS_KM * math.asin(math.sqrt(min(1.0, chord)))


def turn_deg(azimuth_deg: Degrees, from_deg: Degrees | float) -> Degrees:
    """The signed turn from one azimuth to another, -180..180; numbers or arrays."""
    return (azimuth_deg - from_deg + 180) % 360 - 180
