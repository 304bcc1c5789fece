"""A picture's plane: places of directions in it (through one lens, or unrolled for a panorama), and shapes:
unbroken runs of points, strips, and what of them lies in a frame."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from alerts.field.projection import CameraView

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Box:
    """A frame in the picture, y downward."""

    left: float
    top: float
    right: float
    bottom: float

    def holds(self, point: Point, margin: float = 0.0) -> bool:
        x, y = point
        across = self.left + margin <= x <= self.right - margin
        return across and self.top + margin <= y <= self.bottom - margin


def runs(points: Iterable[Point], *, widest_step: float = math.inf) -> Iterator[list[Point]]:
    """Unbroken stretches of points: NaN, or a sideways jump of more than `widest_step`, ends one."""
    run: list[Point] = []
    for point in points:
        jumps = bool(run) and abs(point[0] - run[-1][0]) > widest_step
        broken = math.isnan(point[0]) or math.isnan(point[1])
        if (jumps or broken) and run:
            yield run
            run = []
        if not broken:
            run.append(point)
    if run:
        yield run


def strips(
    upper: Sequence[Point], lower: Sequence[Point], *, widest_step: float = math.inf
) -> Iterator[list[Point]]:
    """Closed shapes between two edges of the same length, broken where either is."""
    pairs = list(zip(upper, lower, strict=True))
    part: list[tuple[Point, Point]] = []
    for pair in pairs:
        broken = any(math.isnan(value) for point in pair for value in point)
        jumps = bool(part) and any(
            abs(new[0] - old[0]) > widest_step for new, old in zip(pair, part[-1], strict=True)
        )
        if (broken or jumps) and part:
            yield _closed(part)
            part = []
        if not broken:
            part.append(pair)
    if part:
        yield _closed(part)


def _closed(part: Sequence[tuple[Point, Point]]) -> list[Point]:
    return [above for above, _ in part] + [below for _, below in reversed(part)]


def clipped(shape: Sequence[Point], box: Box) -> list[Point]:
    """The part of a closed shape inside a box; empty when none is.

    Source: I. E. Sutherland and G. W. Hodgman, Reentrant polygon clipping, CACM 17 (1974), 32-42.
    """
    sides: tuple[Callable[[Point], float], ...] = (
        lambda p: p[0] - box.left,
        lambda p: box.right - p[0],
        lambda p: p[1] - box.top,
        lambda p: box.bottom - p[1],
    )
    found = list(shape)
    for inside in sides:  # keep what lies where this isn't negative
        kept: list[Point] = []
        for before, after in zip([*found[-1:], *found[:-1]], found, strict=True):
            was, now = inside(before), inside(after)
            if (was >= 0) != (now >= 0):
                share = was / (was - now)
                kept.append(
                    (before[0] + share * (after[0] - before[0]), before[1] + share * (after[1] - before[1]))
                )
            if now >= 0:
                kept.append(after)
        found = kept
    return found


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

    view: CameraView
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
