"""Arcs of the daily turn: altitude and azimuth by hour angle, and where a condition on it holds."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from alerts.sky.span_arrays import alternating_spans

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Margin = Callable[[Ints, Floats], Floats]
"""By how much a condition holds for (row of a site, angle in radians), element by element."""

_ROWS_AT_ONCE = 64


def altaz_at(lat: Floats, hour_angle: Floats, dec: Floats | float) -> tuple[Floats, Floats]:
    """Altitude and azimuth (from north through east) in degrees, from radians; shapes broadcast."""
    cos_lat, sin_lat, cos_dec, sin_dec = np.cos(lat), np.sin(lat), np.cos(dec), np.sin(dec)
    south, west = np.cos(hour_angle) * cos_dec, np.sin(hour_angle) * cos_dec
    up = np.clip(sin_lat * sin_dec + cos_lat * south, -1, 1)
    azimuth = np.degrees(np.arctan2(-west, cos_lat * sin_dec - sin_lat * south)) % 360
    return np.degrees(np.arcsin(up)), azimuth


def positive_arcs(margin: Margin, reach: Floats, n_steps: int) -> tuple[Ints, Floats, Floats]:
    """Rows, starts and ends of the arcs on which each row's margin is not negative.

    Each row is searched from -reach to reach (radians, shape (n,)); an arc that holds at either end
    is drawn out to -pi or pi. Arcs, and gaps between them, narrower than a step (2 reach / n_steps)
    can be missed.
    """
    rows, starts, ends = [np.zeros(0, dtype=np.intp)], [np.zeros(0)], [np.zeros(0)]
    for first in range(0, len(reach), _ROWS_AT_ONCE):
        some = np.arange(first, min(first + _ROWS_AT_ONCE, len(reach)))
        angles = reach[some][:, None] * np.linspace(-1, 1, n_steps + 1)
        values = margin(np.repeat(some, n_steps + 1), angles.ravel()).reshape(angles.shape)
        up = values >= 0
        row, step = np.nonzero(up[:, 1:] != up[:, :-1])
        low, high = angles[row, step], angles[row, step + 1]
        at_low, at_high = values[row, step], values[row, step + 1]
        # by the Illinois rule, to 1e-7 rad: a thousandth of a second of time
        x = low
        for _ in range(40 if len(low) else 0):
            before, x = x, (low * at_high - high * at_low) / (at_high - at_low)
            value = margin(some[row], x)
            same = (value >= 0) == (at_low >= 0)
            at_low, at_high = np.where(same, value, at_low / 2), np.where(same, at_high / 2, value)
            low, high = np.where(same, x, low), np.where(same, high, x)
            if (np.abs(x - before) < 1e-7).all():
                break
        counts = np.bincount(row, minlength=len(some))
        own, start, end = alternating_spans(counts, x, up[:, 0], -math.pi, math.pi)
        rows.append(some[own])
        starts.append(start)
        ends.append(end)
    return np.concatenate(rows), np.concatenate(starts), np.concatenate(ends)
