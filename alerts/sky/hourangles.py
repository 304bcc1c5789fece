"""Arcs of the daily turn: altitude and azimuth by hour angle, and where a condition on it holds."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Margin = Callable[[Floats], Floats]


def altaz_at(lat_deg: float, hour_angle: Floats, dec: Floats | float) -> tuple[Floats, Floats]:
    """Altitude and azimuth (from north through east) in degrees, from radians; shapes broadcast."""
    lat = math.radians(lat_deg)
    south, west = np.cos(hour_angle) * np.cos(dec), np.sin(hour_angle) * np.cos(dec)
    up = math.sin(lat) * np.sin(dec) + math.cos(lat) * south
    north = math.cos(lat) * np.sin(dec) - math.sin(lat) * south
    return np.degrees(np.arctan2(up, np.hypot(north, west))), np.degrees(np.arctan2(-west, north)) % 360


def positive_arcs(margin: Margin, n_steps: int) -> tuple[Floats, Floats]:
    """Starts and ends, between -pi and pi, of the arcs on which a function of an angle is not negative.

    Arcs, and gaps between them, narrower than a step (2 pi / n_steps) can be missed.
    """
    angles = np.linspace(-math.pi, math.pi, n_steps + 1)
    values = margin(angles)
    up = values >= 0
    change = np.flatnonzero(up[1:] != up[:-1])
    roots = _refine(margin, angles[change], angles[change + 1], values[change], values[change + 1])
    rising = up[change + 1]
    start, end = roots[rising], roots[~rising]
    start = np.concatenate([[-math.pi], start]) if up[0] else start
    end = np.concatenate([end, [math.pi]]) if up[-1] else end
    return start, end


def _refine(margin: Margin, low: Floats, high: Floats, at_low: Floats, at_high: Floats) -> Floats:
    """Roots in brackets by the Illinois rule, to 1e-7 rad: a hundredth of a second of time."""
    x = low
    for _ in range(40):
        if not len(x):
            break
        before, x = x, (low * at_high - high * at_low) / (at_high - at_low)
        value = margin(x)
        same = (value >= 0) == (at_low >= 0)
        at_low, at_high = np.where(same, value, at_low / 2), np.where(same, at_high / 2, value)
        low, high = np.where(same, x, low), np.where(same, high, x)
        if (np.abs(x - before) < 1e-7).all():
            break
    return x
