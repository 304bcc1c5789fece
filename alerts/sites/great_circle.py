"""Distances and turns over the Earth, taken as a sphere, and the cells that shared places are rounded to."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

Degrees = TypeVar("Degrees", float, "npt.NDArray[np.float64]")

EARTH_RADIUS_KM = 6371.0088
"""Mean radius of the Earth, IUGG (Moritz, Geodetic Reference System 1980)."""
KM_A_DEGREE = 111.2
SHARED_STEP_DEG = 0.05
"""Coordinates of a shared site are rounded to this for everyone but its owner: about 5 km."""
LEAST_WIDTH_KM = 2.7
"""Of a cell from west to east; a step of longitude is 5.5 km at the equator, and this at 60 degrees."""
LON_STEPS_DEG = (SHARED_STEP_DEG, 0.1, 0.2, 0.5, 1.0, 2.0)


def distance_km(from_lat_deg: float, from_lon_deg: float, to_lat_deg: float, to_lon_deg: float) -> float:
    """Great-circle distance on a sphere (haversine); within 0.6 % of the ellipsoid's."""
    lat1, lat2 = math.radians(from_lat_deg), math.radians(to_lat_deg)
    half_lat, half_lon = (lat2 - lat1) / 2, math.radians(to_lon_deg - from_lon_deg) / 2
    chord = math.sin(half_lat) ** 2 + math.cos(lat1) * math.cos(lat2) * math.sin(half_lon) ** 2
    return 2 * EARTH_RADIUS_KM * math.asin(math.sqrt(min(1.0, chord)))


def turn_deg(azimuth_deg: Degrees, from_deg: Degrees | float) -> Degrees:
    """The signed turn from one azimuth to another, -180..180; numbers or arrays."""
    return (azimuth_deg - from_deg + 180) % 360 - 180


def rounded_place(lat_deg: float, lon_deg: float) -> tuple[float, float]:
    """The middle of the cell that a place lies in: 0.05 degrees, longitude coarser where meridians meet."""
    lat = round_shared_deg(lat_deg)
    step = lon_step_deg(lat)
    return lat, round(round(lon_deg / step) * step, 2)


def lon_step_deg(rounded_lat_deg: float) -> float:
    """The step of longitude that keeps a cell at least 2.7 km wide there."""
    width_km = KM_A_DEGREE * math.cos(math.radians(rounded_lat_deg))
    return next((step for step in LON_STEPS_DEG if step * width_km >= LEAST_WIDTH_KM), LON_STEPS_DEG[-1])


def round_shared_deg(coordinate_deg: float) -> float:
    """A coordinate as others may see it: the nearest multiple of 0.05 degrees."""
    return round(round(coordinate_deg / SHARED_STEP_DEG) * SHARED_STEP_DEG, 2)
