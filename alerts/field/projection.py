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
from alerts.field.kit import Kit, fisheye_reach_deg

Floats = npt.NDArray[np.float64]

NEAREST_TO_SIDE = 0.02
"""Directions whose cosine to the axis is smaller (beyond 88.9 degrees) don't fall on a flat picture."""
_ACROSS, _DOWN = 25, 17
"""The frame is looked at on this grid, its corners included."""
_AROUND = 181
"""And along the horizon, the edges and the rim of a fisheye's circle at so many places each."""
_CLOSER, _CLOSEST_MM = 3, 0.01
"""Then about the longest trail found so far, each time closer by this factor, down to this."""


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
            shown = ahead > math.cos(math.radians(self.reach_deg)) - 1e-9
        else:
            scale = self.focal_mm / np.maximum(ahead, NEAREST_TO_SIDE)
            shown = ahead > NEAREST_TO_SIDE
        return np.where(shown, right * scale, np.nan), np.where(shown, up * scale, np.nan)

    @property
    def reach_deg(self) -> float:
        """How far off the axis a fisheye shows something in this frame."""
        return fisheye_reach_deg(self.focal_mm, self.width_mm, self.height_mm)

    @property
    def circle_mm(self) -> float:
        """Radius of the circle outside which a fisheye's frame stays black."""
        return 2 * self.focal_mm * math.sin(math.radians(self.reach_deg) / 2)

    def direction(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Altitude and azimuth (0..360) of places on the sensor; the inverse of `project`."""
        right, level, rise = self._sky_at(
            np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
        )
        altitude = np.degrees(np.arctan2(rise, np.hypot(right, level)))
        return altitude, (np.degrees(np.arctan2(right, level)) + self.azimuth_deg) % 360

    def _sky_at(self, x_mm: Floats, y_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """The unit vectors of those directions: to the right, level ahead, and upward."""
        radius, tilt = np.hypot(x_mm, y_mm), math.radians(self.tilt_deg)
        if self.fisheye:
            off_axis = 2 * np.arcsin(np.clip(radius / 2 / self.focal_mm, 0, 1))
        else:
            off_axis = np.arctan(radius / self.focal_mm)
        aside = np.sin(off_axis) / np.where(radius > 0, radius, 1)
        right, up, ahead = x_mm * aside, y_mm * aside, np.cos(off_axis)
        level, rise = (
            ahead * math.cos(tilt) - up * math.sin(tilt),
            ahead * math.sin(tilt) + up * math.cos(tilt),
        )
        return right, level, rise

    def speed_mm_s(self, x_mm: Floats, y_mm: Floats, lat_deg: float) -> tuple[Floats, Floats]:
        """How fast a star crosses places on the sensor, and the sine of its altitude there.

        It turns about the celestial pole, which stands in the north as high as the latitude: its velocity on
        the sphere is ω · pole × star. What the lens makes of it is the derivative of `project`.
        """
        tilt, azimuth, lat = (math.radians(v) for v in (self.tilt_deg, self.azimuth_deg, lat_deg))
        right, level, rise = self._sky_at(x_mm, y_mm)
        pole_right, pole_level, pole_rise = (
            -math.sin(azimuth) * math.cos(lat),
            math.cos(azimuth) * math.cos(lat),
            math.sin(lat),
        )
        to_right = pole_level * rise - pole_rise * level
        to_level = pole_rise * right - pole_right * rise
        to_rise = pole_right * level - pole_level * right
        ahead = level * math.cos(tilt) + rise * math.sin(tilt)
        up = rise * math.cos(tilt) - level * math.sin(tilt)
        to_ahead = to_level * math.cos(tilt) + to_rise * math.sin(tilt)
        to_up = to_rise * math.cos(tilt) - to_level * math.sin(tilt)
        if self.fisheye:
            scale, shrinks = self.focal_mm * np.sqrt(2 / (1 + ahead)), 2 * (1 + ahead)
        else:
            ahead = np.maximum(ahead, NEAREST_TO_SIDE)
            scale, shrinks = self.focal_mm / ahead, ahead
        moves = (to_right - right * to_ahead / shrinks, to_up - up * to_ahead / shrinks)
        turn_s = math.radians(SIDEREAL_ARCSEC_PER_S / 3600)
        return np.asarray(turn_s * scale * np.hypot(*moves)), rise

    def shows(self, x_mm: Floats, y_mm: Floats) -> npt.NDArray[np.bool_]:
        """Whether places on the sensor lie in the frame, and in a fisheye's circle."""
        inside = (np.abs(x_mm) <= self.width_mm / 2 + 1e-9) & (np.abs(y_mm) <= self.height_mm / 2 + 1e-9)
        return inside & (np.hypot(x_mm, y_mm) <= self.circle_mm + 1e-9) if self.fisheye else inside

    def half_width_deg(self, altitude_deg: float) -> float:
        """From the frame's middle to its right edge, in azimuth, where that edge shows an altitude; the
        lowest it shows, or the highest, for one beyond those."""
        y = np.linspace(-self.height_mm / 2, self.height_mm / 2, _AROUND)
        x = np.full_like(y, self.width_mm / 2)
        if self.fisheye:
            y = y[np.abs(y) < self.circle_mm]
            x = np.minimum(self.width_mm / 2, np.sqrt(self.circle_mm**2 - y**2))
        altitude, azimuth = self.direction(x, y)
        rising = slice(0, int(np.argmax(altitude)) + 1)
        turn = np.abs((azimuth - self.azimuth_deg + 180) % 360 - 180)
        return float(np.interp(altitude_deg, altitude[rising], turn[rising]))

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
    px_per_mm = 1000 / kit.camera.pitch_um
    worst = px_per_mm * worst_speed_mm_s(view, lat_deg)
    if view.holds(*core):
        x, y = view.project(*(np.array([each]) for each in core))
        at_core = px_per_mm * float(view.speed_mm_s(x, y, lat_deg)[0][0])
    else:
        at_core = middle_trail_px(1.0, kit.focal_mm, kit.camera.pitch_um, dec_deg)
    return TrailRates(max(at_core, 1e-6), max(worst, at_core, 1e-6))


def worst_speed_mm_s(view: CameraView, lat_deg: float) -> float:
    """How fast stars cross the sensor where they trail longest in the frame's sky; where it shows no sky, in
    all of it.

    The longest trail stands at a corner, at an edge, at the rim of a fisheye's circle, at the horizon, or
    anywhere between: each is looked at, then what surrounds the longest one found ever closer.
    """
    wide, high = view.width_mm / 2, view.height_mm / 2
    across, down = np.linspace(-wide, wide, _AROUND), np.linspace(-high, high, _AROUND)
    grid = np.meshgrid(np.linspace(-wide, wide, _ACROSS), np.linspace(-high, high, _DOWN))
    round_deg = np.linspace(0, 360, _AROUND)
    lines = [
        (grid[0].ravel(), grid[1].ravel()),
        *((across, np.full_like(across, side)) for side in (-high, high)),
        *((np.full_like(down, side), down) for side in (-wide, wide)),
        view.project(np.zeros_like(round_deg), round_deg),
    ]
    if view.fisheye:
        angle = np.radians(round_deg)
        lines.append((view.circle_mm * np.cos(angle), view.circle_mm * np.sin(angle)))
    x, y = (np.concatenate(column) for column in zip(*lines, strict=True))
    x, y = (each[view.shows(x, y)] for each in (x, y))
    lowest = -1e-9 if (view.speed_mm_s(x, y, lat_deg)[1] >= 0).any() else -1.0

    def longest(x: Floats, y: Floats) -> tuple[float, float, float]:
        speed, rise = view.speed_mm_s(x, y, lat_deg)
        seen = np.where(view.shows(x, y) & (rise >= lowest), speed, -1.0)
        best = int(np.argmax(seen))
        return float(seen.flat[best]), float(x.flat[best]), float(y.flat[best])

    found, step_mm = longest(x, y), 2 * wide / (_ACROSS - 1)
    around = np.meshgrid(*[np.arange(-_CLOSER, _CLOSER + 1) / _CLOSER] * 2)
    while step_mm > _CLOSEST_MM:
        at_x = np.clip(found[1] + step_mm * around[0], -wide, wide)
        at_y = np.clip(found[2] + step_mm * around[1], -high, high)
        found = max(found, longest(at_x, at_y))
        step_mm /= _CLOSER
    return found[0]
