"""From directions to places in a picture: through one lens, or unrolled for a panorama."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from alerts.briefing.pictures.geometry import Box, Point
from alerts.field.projection import View

Direction = tuple[float, float]
"""Altitude and azimuth in degrees."""


class Plane(Protocol):
    """A picture's plane, y downward."""

    @property
    def box(self) -> Box: ...

    @property
    def middle_azimuth_deg(self) -> float: ...

    @property
    def reach_deg(self) -> float:
        """How far to either side of the middle it shows."""
        ...

    def place(self, directions: Sequence[Direction]) -> list[Point]:
        """Where directions fall; NaN where the plane can't show them."""
        ...


@dataclass(frozen=True, slots=True)
class LensPlane:
    """What one frame shows, scaled to fill its box."""

    view: View
    box: Box

    @property
    def middle_azimuth_deg(self) -> float:
        return self.view.azimuth_deg

    @property
    def reach_deg(self) -> float:
        return 100.0

    def place(self, directions: Sequence[Direction]) -> list[Point]:
        altitude, azimuth = np.array(directions, dtype=np.float64).reshape(-1, 2).T
        x, y = self.view.project(altitude, azimuth)
        scale = (self.box.right - self.box.left) / self.view.width_mm
        middle_x, middle_y = (self.box.left + self.box.right) / 2, (self.box.top + self.box.bottom) / 2
        return [(float(middle_x + a * scale), float(middle_y - b * scale)) for a, b in zip(x, y, strict=True)]


@dataclass(frozen=True, slots=True)
class UnrolledPlane:
    """Azimuth across and altitude up, the same scale both ways."""

    box: Box
    middle_azimuth_deg: float
    lowest_deg: float
    pixels_per_deg: float

    @property
    def reach_deg(self) -> float:
        return (self.box.right - self.box.left) / 2 / self.pixels_per_deg

    def place(self, directions: Sequence[Direction]) -> list[Point]:
        middle = (self.box.left + self.box.right) / 2
        return [
            (
                middle + ((azimuth - self.middle_azimuth_deg + 180) % 360 - 180) * self.pixels_per_deg,
                self.box.bottom - (altitude - self.lowest_deg) * self.pixels_per_deg,
            )
            for altitude, azimuth in directions
        ]
