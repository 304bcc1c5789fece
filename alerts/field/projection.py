"""Where directions in the sky fall in the picture, and how far stars move over it.

The camera stands on a level tripod, tilted up, never rolled. Altitudes are airless and azimuths run from
north through east, in degrees. On the sensor, x runs to the right and y up, in millimetres from the middle of
the frame, as the picture is looked at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.field.exposure import SIDEREAL_ARCSEC_PER_S, TrailRates, middle_trail_px
from alerts.field.kit import Kit

Floats = npt.NDArray[np.float64]

NEAREST_TO_SIDE = 0.02
"""Directions whose cosine to the axis is smaller (beyond 88.9 degrees) don't fall on a flat picture."""
FISHEYE_SHOWS = -0.5
"""The same for a fisheye: up to 120 degrees off the axis, beyond every frame's corner."""
_ACROSS, _DOWN = 25, 17
"""The frame is looked at on this grid, its corners included."""
_STEP_S = 1.0


@dataclass(frozen=True, slots=True)
class CameraView:
    """One frame: where the camera points, and what its lens and sensor make of it.

    azimuth_deg, tilt_deg: direction of the optical axis; tilt is its altitude, -90..90.
    width_mm, height_mm: the frame as held (swapped for an upright one).
    """

    azimuth_deg: float
    tilt_deg: float
    focal_mm: float
    width_mm: float
    height_mm: float
    fisheye: bool = False

    @classmethod
    def of(cls, kit: Kit, azimuth_deg: float, tilt_deg: float, *, portrait: bool = False) -> CameraView:
        camera = kit.camera
        wide, high = camera.width_mm, camera.height_mm
        if portrait:
            wide, high = high, wide
        return cls(azimuth_deg % 360, tilt_deg, kit.focal_mm, wide, high, kit.lens.fisheye)

    def project(self, altitude_deg: npt.ArrayLike, azimuth_deg: npt.ArrayLike) -> tuple[Floats, Floats]:
        """x and y in mm of directions of any shape; NaN where the lens can't show them.

        Rectilinear: r = f tan θ. Fisheye: equisolid-angle, r = 2 f sin(θ/2).
        """
        altitude, tilt = np.radians(altitude_deg), np.radians(self.tilt_deg)
        turn = np.radians(np.asarray(azimuth_deg) - self.azimuth_deg)
        # unit vectors as (right, up, ahead) of the camera
        level, rise = np.cos(altitude) * np.cos(turn), np.sin(altitude)
        right = np.cos(altitude) * np.sin(turn)
        up = rise * np.cos(tilt) - level * np.sin(tilt)
        ahead = level * np.cos(tilt) + rise * np.sin(tilt)
        if self.fisheye:
            scale = self.focal_mm * np.sqrt(2 / np.maximum(1 + ahead, 1e-12))
            shown = ahead > FISHEYE_SHOWS
        else:
            scale = self.focal_mm / np.maximum(ahead, NEAREST_TO_SIDE)
            shown = ahead > NEAREST_TO_SIDE
        return np.where(shown, right * scale, np.nan), np.where(shown, up * scale, np.nan)

    def direction(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Altitude and azimuth (0..360) of places on the sensor; the inverse of `project`."""
        x, y = np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
        radius = np.hypot(x, y)
        if self.fisheye:
            off_axis = 2 * np.arcsin(np.clip(radius / 2 / self.focal_mm, 0, 1))
        else:
            off_axis = np.arctan(radius / self.focal_mm)
        aside = np.sin(off_axis) / np.where(radius > 0, radius, 1)
        right, up, ahead, tilt = x * aside, y * aside, np.cos(off_axis), np.radians(self.tilt_deg)
        level, rise = ahead * np.cos(tilt) - up * np.sin(tilt), ahead * np.sin(tilt) + up * np.cos(tilt)
        altitude = np.degrees(np.arctan2(rise, np.hypot(right, level)))
        return altitude, (np.degrees(np.arctan2(right, level)) + self.azimuth_deg) % 360

    def holds(self, altitude_deg: float, azimuth_deg: float, margin_mm: float = 0.0) -> bool:
        """Whether a direction falls inside the frame, at least `margin_mm` from its edge."""
        x, y = self.project(altitude_deg, azimuth_deg)
        return bool(abs(x) <= self.width_mm / 2 - margin_mm and abs(y) <= self.height_mm / 2 - margin_mm)


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
