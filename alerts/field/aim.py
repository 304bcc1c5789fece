"""Where to point the camera so that core and ground share the frame."""

from __future__ import annotations

from dataclasses import dataclass

from alerts.field.kit import Kit
from alerts.sky.night import Shape

GROUND_DEG = 7.0
"""Land below the horizon at the frame's lower edge (common practice: the lower quarter of the frame)."""
ROOM_DEG = 8.0
"""Sky kept above the core."""


@dataclass(frozen=True, slots=True)
class Aim:
    """Direction of the camera's axis; portrait: held upright. has_ground: land is in the frame."""

    azimuth_deg: float
    tilt_deg: float
    portrait: bool
    has_ground: bool


def aim_at(
    kit: Kit, altitude_deg: float, azimuth_deg: float, shape: Shape | None, ridge_deg: float = 0.0
) -> Aim:
    """Point at a target with as much land below it as the lens allows.

    Upright for a column, else level. ridge_deg: how high the land stands there. A target too high for
    both keeps the target and gives up the land.
    """
    portrait = shape is Shape.COLUMN
    _, high_deg = kit.field_of_view_deg(portrait=portrait)
    with_land = high_deg / 2 + ridge_deg / 2 - GROUND_DEG
    with_target = altitude_deg + min(ROOM_DEG, high_deg / 4) - high_deg / 2
    tilt_deg = min(max(with_land, with_target), 90.0)
    return Aim(azimuth_deg % 360, tilt_deg, portrait, tilt_deg - high_deg / 2 < ridge_deg)
