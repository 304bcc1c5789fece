"""How far stars move over the sensor: exactly, with the lens's own projection."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from alerts.field.exposure import SIDEREAL_ARCSEC_PER_S, TrailRates, middle_trail_px
from alerts.field.kit import Kit
from alerts.field.projection import CameraView

Floats = npt.NDArray[np.float64]

_ACROSS, _DOWN = 25, 17
"""The frame is looked at on this grid, its corners included."""
_STEP_S = 1.0


def trail_rates(
    kit: Kit, view: CameraView, lat_deg: float, core: tuple[float, float], dec_deg: float
) -> TrailRates:
    """Pixels a second at the core and at the worst place of the frame's sky.

    core: altitude and azimuth of the target. Where it isn't in the frame, its trail in the middle of
    the frame is given, from its declination. Refraction is ignored; the horizon is level.
    """
    worst = float(np.nanmax(frame_rates_px_s(kit, view, lat_deg)))
    if view.holds(*core):
        at_core = float(_rates_px_s(kit, view, lat_deg, np.array([core[0]]), np.array([core[1]]))[0])
    else:
        at_core = middle_trail_px(1.0, kit.focal_mm, kit.camera.pitch_um, dec_deg)
    return TrailRates(max(at_core, 1e-6), max(worst, at_core, 1e-6))


def frame_rates_px_s(kit: Kit, view: CameraView, lat_deg: float) -> Floats:
    """Pixels a second over the frame, shape (17, 25) from its bottom left; NaN below the horizon.

    A frame that holds no sky at all gives its whole field.
    """
    x = np.linspace(-view.width_mm / 2, view.width_mm / 2, _ACROSS)
    y = np.linspace(-view.height_mm / 2, view.height_mm / 2, _DOWN)
    altitude, azimuth = view.direction(*np.meshgrid(x, y))
    rates = _rates_px_s(kit, view, lat_deg, altitude, azimuth)
    sky = altitude >= 0
    return np.where(sky, rates, np.nan) if sky.any() else rates


def _rates_px_s(
    kit: Kit, view: CameraView, lat_deg: float, altitude_deg: Floats, azimuth_deg: Floats
) -> Floats:
    """The path over one second, which is straight to a ten thousandth of its length."""
    before = view.project(altitude_deg, azimuth_deg)
    after = view.project(*turned(altitude_deg, azimuth_deg, lat_deg, _STEP_S))
    path_mm = np.hypot(after[0] - before[0], after[1] - before[1])
    return np.asarray(path_mm * 1000 / kit.camera.pitch_um / _STEP_S)


def turned(
    altitude_deg: Floats, azimuth_deg: Floats, lat_deg: float, after_s: float
) -> tuple[Floats, Floats]:
    """Where stars stand a little later: the sky turns westward about the celestial pole."""
    altitude, azimuth = np.radians(altitude_deg), np.radians(azimuth_deg)
    level = np.cos(altitude)
    seen = np.stack([level * np.sin(azimuth), level * np.cos(azimuth), np.sin(altitude)], axis=-1)
    lat, angle = math.radians(lat_deg), math.radians(SIDEREAL_ARCSEC_PER_S / 3600 * after_s)
    pole = np.array([0.0, math.cos(lat), math.sin(lat)])  # east, north, up
    along = (seen @ pole)[..., None] * pole
    moved = along + (seen - along) * math.cos(angle) - np.cross(pole, seen) * math.sin(angle)
    east, north, up = np.moveaxis(moved, -1, 0)
    return np.degrees(np.arctan2(up, np.hypot(east, north))), np.degrees(np.arctan2(east, north)) % 360
