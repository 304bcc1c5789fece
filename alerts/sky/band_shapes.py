"""How the Milky Way stands over the land, by what a photographer frames: arch, column, leaning, overhead.

Everything follows from the galactic longitude l and latitude b of the zenith, in either hemisphere. The
band's highest point, its apex, stands at

    A = 90° − |b|, at longitude l                 altitude of the apex
    sin a = sin A · cos θ                         altitude at θ degrees of longitude from the apex
    tan z = tan θ / cos A                         azimuth there, from the apex's
    cos t = cos A / cos a                         the band's angle to the horizon at altitude a

(spherical trigonometry; the last is Clairaut's relation for a great circle). Two lenses make the limits: a
usual one of 24 mm and, for the panorama, a wide one of 18 mm, on 24 × 36 mm (common practice), with 7° of
land below the horizon. What fills a frame is the band from Puppis over Carina, the core and Cygnus to
Cassiopeia, l 235° to 120°; the rest is too faint to carry a picture by itself (common practice). Where a wish
names an arc of the band, that arc is it. Below 10° haze takes the band. Then stands

- overhead: the core above 65°.
- a column: the band within 20° of upright, in the middle of what an upright frame of the usual lens sees of
  it (10° to 66.7°; so A ≥ 74.4°), and all that it sees there on one side is of the bright part.
- an arch: it spans a level frame of the usual lens, 36.9° to either side of the apex, above 10° (so
  A ≥ 12.4°), and its apex is of the bright part. A low one is held by one row of upright frames of the usual
  lens with 10° of sky above, A ≤ 56.7°. A high one is held so by the wide lens, A ≤ 73°, and it's bright down
  to both feet: both ends of the bright part are in a level frame laid across the horizon, at 26.6° or lower.
- leaning: none of these, or a high arch: a single frame of it leans.

A minute may have several; the first of this order is what it is called.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.sky.night import Shape

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Arc = tuple[float, float]

SHAPES = (Shape.OVERHEAD, Shape.COLUMN, Shape.ARCH, Shape.LEANING)
USUAL_MM, WIDE_MM = 24.0, 18.0
SHORT_SIDE_MM, LONG_SIDE_MM = 24.0, 36.0


def _half_deg(side_mm: float, focal_mm: float) -> float:
    """Half the angle that a side of the sensor sees: arctan(side / 2 / focal length)."""
    return math.degrees(math.atan(side_mm / 2 / focal_mm))


LAND_DEG, SKY_DEG, HAZE_DEG = 7.0, 10.0, 10.0
"""Land below the horizon, sky above an apex, and the altitude below which haze takes the band (common
practice)."""
BRIGHT_L_DEG: Arc = (235.0, 120.0)
SHORTEST_ARC_DEG = 120.0
"""An arc wished for that is shorter is looked at with what lies to either side, to that length."""
OVERHEAD_ABOVE_DEG = 65.0
UPRIGHT_DEG = 70.0
SEEN_UP_TO_DEG = 2 * _half_deg(LONG_SIDE_MM, USUAL_MM) - LAND_DEG
COLUMN_ABOVE_DEG = math.degrees(
    math.acos(math.cos(math.radians(UPRIGHT_DEG)) * math.cos(math.radians((HAZE_DEG + SEEN_UP_TO_DEG) / 2)))
)
LOW_ARCH_DEG = 2 * _half_deg(LONG_SIDE_MM, USUAL_MM) - LAND_DEG - SKY_DEG
HIGHEST_ARCH_DEG = 2 * _half_deg(LONG_SIDE_MM, WIDE_MM) - LAND_DEG - SKY_DEG
FRAME_HALF_DEG = _half_deg(LONG_SIDE_MM, USUAL_MM)
FEET_BELOW_DEG = _half_deg(SHORT_SIDE_MM, USUAL_MM)
_WIDTH, _STEEP = math.tan(math.radians(FRAME_HALF_DEG)), 1 / math.sin(math.radians(HAZE_DEG))
LOWEST_ARCH_DEG = math.degrees(math.asin(math.sqrt((1 + _WIDTH**2) / (_STEEP**2 + _WIDTH**2))))
_COLUMN, _ARCH, _LEANING = 2, 4, 8

SHAPES_BY_CODE: tuple[tuple[Shape, ...], ...] = tuple(
    tuple(shape for bit, shape in enumerate(SHAPES) if code >> bit & 1) for code in range(16)
)
"""What each of `Standing.codes` means, the first being what a minute is called."""


def framed_arc(arc_l_deg: Arc | None) -> tuple[float, float]:
    """Middle and half length, in degrees of longitude, of the part of the band that frames are filled with:
    the bright one, or the arc wished for."""
    first, last = arc_l_deg or BRIGHT_L_DEG
    half = ((last - first) % 360 or 360.0) / 2
    return (first + half) % 360, max(half, SHORTEST_ARC_DEG / 2)


@dataclass(frozen=True)
class Standing:
    """How far each limit is from where the band stands, shape (...): positive where it is kept.

    In degrees by which the zenith must at least move among the stars to reach it, so that what two looks have
    in common holds all the while between them if it takes more than the sky turns.
    """

    overhead_deg: Floats
    column_deg: Floats
    low_arch_deg: Floats
    high_arch_deg: Floats

    @property
    def codes(self) -> Ints:
        """The shapes that stand, as indices into SHAPES_BY_CODE."""
        overhead, column, low = self.overhead_deg > 0, self.column_deg >= 0, self.low_arch_deg >= 0
        arch, leaning = low | (self.high_arch_deg >= 0), ~(overhead | column | low)
        return np.asarray(overhead + _COLUMN * column + _ARCH * arch + _LEANING * leaning, dtype=np.intp)

    def may_change(self, turn_deg: Floats) -> npt.NDArray[np.bool_]:
        """Between each two neighbouring looks, shape (..., n - 1), whether a limit may be reached while the
        zenith moves by that much."""

        def near(margin: Floats) -> npt.NDArray[np.bool_]:
            return np.asarray(np.abs(margin[..., :-1]) + np.abs(margin[..., 1:]) <= turn_deg)

        return (
            near(self.overhead_deg)
            | near(self.column_deg)
            | near(self.low_arch_deg)
            | near(self.high_arch_deg)
        )


def standing(zenith: Floats, arc_l_deg: Arc | None = None) -> Standing:
    """How the band stands under a zenith: unit vectors in galactic axes (toward the core, l = 90° and the
    north pole), shape (3, ...)."""
    x, y, z = zenith
    apex_deg = 90 - np.abs(_arcsin_deg(z))
    middle_deg, half_deg = framed_arc(arc_l_deg)
    one_deg, other_deg = (
        _arcsin_deg(x * _cos(end_deg) + y * _sin(end_deg))
        for end_deg in (middle_deg - half_deg, middle_deg + half_deg)
    )
    higher_deg, lower_deg = np.maximum(one_deg, other_deg), np.minimum(one_deg, other_deg)
    # how far beyond the nearer end the zenith's longitude lies: from the half circle through it to the poles
    along, aside = (
        x * _cos(middle_deg) + y * _sin(middle_deg),
        np.abs(y * _cos(middle_deg) - x * _sin(middle_deg)),
    )
    beyond = aside * _cos(half_deg) - along * _sin(half_deg)
    is_inside = along >= np.hypot(x, y) * _cos(half_deg)
    inside_deg = np.where(is_inside, 1, -1) * np.abs(_arcsin_deg(beyond))
    filled_deg = np.minimum(np.maximum(inside_deg, higher_deg - SEEN_UP_TO_DEG), HAZE_DEG - lower_deg)
    spans_deg = np.minimum(apex_deg - LOWEST_ARCH_DEG, inside_deg)
    low_deg, high_deg = LOW_ARCH_DEG - apex_deg, HIGHEST_ARCH_DEG - apex_deg
    return Standing(
        overhead_deg=_arcsin_deg(x) - OVERHEAD_ABOVE_DEG,
        column_deg=np.minimum(apex_deg - COLUMN_ABOVE_DEG, filled_deg),
        low_arch_deg=np.minimum(spans_deg, low_deg),
        high_arch_deg=np.minimum(np.minimum(spans_deg, high_deg), FEET_BELOW_DEG - higher_deg),
    )


def _arcsin_deg(sine: Floats) -> Floats:
    """Of what rounding has made longer than 1, that of 1."""
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1, 1))))


def _sin(angle_deg: float) -> float:
    return math.sin(math.radians(angle_deg))


def _cos(angle_deg: float) -> float:
    return math.cos(math.radians(angle_deg))
