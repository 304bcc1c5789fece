"""The Milky Way against the horizon: core track, band apex, tilt, shape, alignment.

The band is the great circle of galactic latitude 0; the core is the direction l = b = 0, not
Sgr A* (0.07 degrees away). Altitudes are airless; azimuths run from north through east.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.sky.ephemeris import SkyTable, direction
from alerts.sky.night import Shape
from alerts.sky.observers import Ground, along

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

POLE_RA_DEG, POLE_DEC_DEG, NODE_L_DEG = 192.85948, 27.12825, 32.93192
"""North galactic pole (ICRS) and longitude of the ascending node; Perryman & ESA 1997, ESA SP-1200,
vol. 1, section 1.5.3."""

ARCH_BELOW_DEG = 55.0
OVERHEAD_ABOVE_DEG = 65.0
COLUMN_TILT_DEG = 75.0
COLUMN_BELOW_DEG = 45.0
NEAR_ZENITH_DEG = 85.0
"""Core altitude above which its band has no tilt to speak of."""
SHAPES = (Shape.OVERHEAD, Shape.COLUMN, Shape.ARCH, Shape.LEANING)
POLE: Floats = direction(POLE_RA_DEG, POLE_DEC_DEG)
_NODE, _TURN = direction(POLE_RA_DEG + 90, 0), math.radians(NODE_L_DEG)
CORE: Floats = _NODE * math.cos(_TURN) - np.cross(POLE, _NODE) * math.sin(_TURN)
GALACTIC_AXES: Floats = np.stack([CORE, np.cross(POLE, CORE), POLE])
"""Rows: ICRS unit vectors of (l, b) = (0, 0), (90, 0) and the north galactic pole."""


def galactic_direction(l_deg: npt.ArrayLike, b_deg: npt.ArrayLike) -> Floats:
    """ICRS unit vectors, shape (..., 3), of galactic longitudes and latitudes in degrees."""
    longitude, latitude = np.radians(np.asarray(l_deg)), np.radians(np.asarray(b_deg))
    along = np.stack(
        [
            np.cos(latitude) * np.cos(longitude),
            np.cos(latitude) * np.sin(longitude),
            np.sin(latitude) + 0 * longitude,
        ],
        axis=-1,
    )
    return np.asarray(along @ GALACTIC_AXES)


@dataclass(frozen=True)
class Geometry:
    """How the Milky Way stands, arrays of shape (n, m) for n sites and m times, in degrees.

    apex: the band's highest point. horizon_azimuths_deg: shape (n, m, 2), where the band meets the
    level horizon. tilt_deg: of the band at the core, 0 level, 90 upright; NaN near the zenith.
    leans_right: going up along the band from the core, whether it leans to the right of a viewer
    who faces the core; meaningless where the tilt is NaN.
    """

    core_altitude_deg: Floats
    core_azimuth_deg: Floats
    apex_altitude_deg: Floats
    apex_azimuth_deg: Floats
    horizon_azimuths_deg: Floats
    tilt_deg: Floats
    leans_right: npt.NDArray[np.bool_]


def geometry(ground: Ground, table: SkyTable, at_s: Floats) -> Geometry:
    """The geometry for each of n sites at POSIX times of shape (m,) (the same for all) or (n, m)."""
    times = np.broadcast_to(at_s, (len(ground), np.shape(at_s)[-1]))
    return geometry_of(ground, table.fixed(CORE, times), table.fixed(POLE, times))


def geometry_of(ground: Ground, core: Floats, pole: Floats) -> Geometry:
    """The geometry from Earth-fixed unit vectors of the core and the galactic pole, shape (n, m, 3)."""
    core_altitude, core_azimuth = ground.altaz(core, near=False)
    pole_altitude, pole_azimuth = ground.altaz(pole, near=False)
    # tilt and lean, from the band's tangent at the core
    along_band = np.cross(pole, core)
    rise = along(along_band, ground.up)
    rightward = np.cross(core, np.broadcast_to(ground.up[:, None, :], core.shape))
    aside = (along_band * rightward).sum(axis=-1)
    tilt = np.degrees(np.arctan2(np.abs(rise), np.abs(aside)))
    return Geometry(
        core_altitude,
        core_azimuth,
        apex_altitude_deg=90 - np.abs(pole_altitude),
        apex_azimuth_deg=np.where(pole_altitude > 0, pole_azimuth + 180, pole_azimuth) % 360,
        horizon_azimuths_deg=np.stack([pole_azimuth - 90, pole_azimuth + 90], axis=-1) % 360,
        tilt_deg=np.where(core_altitude > NEAR_ZENITH_DEG, np.nan, tilt),
        leans_right=rise * aside > 0,
    )


def shape_codes(sky: Geometry) -> Ints:
    """Indices into SHAPES, tested in that order.

    A column needs its core above the horizon: below it nobody sees the band stand on it.
    """
    upright = np.nan_to_num(sky.tilt_deg) > COLUMN_TILT_DEG
    low_core = (sky.core_altitude_deg >= 0) & (sky.core_altitude_deg < COLUMN_BELOW_DEG)
    tests: Sequence[npt.NDArray[np.bool_]] = (
        sky.core_altitude_deg > OVERHEAD_ABOVE_DEG,
        upright & low_core,
        sky.apex_altitude_deg < ARCH_BELOW_DEG,
    )
    return np.select(list(tests), [0, 1, 2], default=3).astype(np.intp)
