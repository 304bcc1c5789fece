"""A shared site's place as others see it: the middle of a cell some kilometres wide."""

from __future__ import annotations

from math import cos, radians

SHARED_STEP_DEG = 0.05
"""Coordinates of a shared site are rounded to this for everyone but its owner: about 5 km."""
LEAST_WIDTH_KM = 2.7
"""Of a cell from west to east; a step of longitude is 5.5 km at the equator, and this at 60 degrees."""
KM_A_DEGREE = 111.2
LON_STEPS_DEG = (SHARED_STEP_DEG, 0.1, 0.2, 0.5, 1.0, 2.0)


def rounded_place(lat_deg: float, lon_deg: float) -> tuple[float, float]:
    """The middle of the cell that a place lies in: 0.05 degrees, longitude coarser where meridians meet."""
    lat = round_shared_deg(lat_deg)
    step = lon_step_deg(lat)
    return lat, round(round(lon_deg / step) * step, 2)


def lon_step_deg(rounded_lat_deg: float) -> float:
    """The step of longitude that keeps a cell at least 2.7 km wide there."""
    width_km = KM_A_DEGREE * cos(radians(rounded_lat_deg))
    return next((step for step in LON_STEPS_DEG if step * width_km >= LEAST_WIDTH_KM), LON_STEPS_DEG[-1])


def round_shared_deg(coordinate_deg: float) -> float:
    """A coordinate as others may see it: the nearest multiple of 0.05 degrees."""
    return round(round(coordinate_deg / SHARED_STEP_DEG) * SHARED_STEP_DEG, 2)
