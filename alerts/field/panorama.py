"""A row of upright frames for what no single frame holds: the arch."""

from __future__ import annotations

import math
from dataclasses import dataclass

from alerts.field.kit import Kit

ARCH_SPAN_DEG = 180.0
"""A great circle meets the level horizon at two bearings half a turn apart."""
OVERLAP = 0.35
"""Share of a frame's angle that its neighbour shows again (common practice: a third, and more for
wide lenses, whose edges are stretched)."""
ROOM_DEG = 10.0
"""Sky kept above the apex, and land kept below the level horizon."""
PAUSE_S = 5.0
"""From one frame to the next: turn the head, two-second delay (common practice)."""
TURN_DEG_PER_S = 15.041067 / 3600


@dataclass(frozen=True, slots=True)
class Panorama:
    """What to take, row by row from the ground up, each from left to right.

    azimuths_deg: where the frames of a row point. tilts_deg: one a row, lowest first. step_deg:
    between neighbours. row_s: time for one row. row_drift_deg, seam_drift_deg: how far a star on
    the celestial equator moves (the most there is) in one row, and from a frame to its neighbour.
    """

    azimuths_deg: tuple[float, ...]
    tilts_deg: tuple[float, ...]
    step_deg: float
    overlap: float
    shutter_s: float
    row_s: float
    row_drift_deg: float
    seam_drift_deg: float

    @property
    def frames(self) -> int:
        """Frames across."""
        return len(self.azimuths_deg)

    @property
    def rows(self) -> int:
        return len(self.tilts_deg)

    @property
    def whole_s(self) -> float:
        return self.row_s * self.rows


def plan_panorama(kit: Kit, apex_altitude_deg: float, apex_azimuth_deg: float, shutter_s: float) -> Panorama:
    """The upright frames that hold an arch with its apex there.

    Frames across: half a turn over the step, rounded up; what the outer frames show beyond it is lost when
    the picture is straightened. Rows: enough to reach from 10 degrees below the horizon to 10 above
    the apex.
    """
    wide_deg, high_deg = kit.field_of_view_deg(portrait=True)
    step_deg, row_step_deg = wide_deg * (1 - OVERLAP), high_deg * (1 - OVERLAP)
    across = max(1, math.ceil(ARCH_SPAN_DEG / step_deg - 1e-9))
    first_deg = apex_azimuth_deg - step_deg * (across - 1) / 2
    needed_deg = apex_altitude_deg + 2 * ROOM_DEG
    rows = 1 + max(0, math.ceil((needed_deg - high_deg) / row_step_deg - 1e-9))
    lowest_deg = apex_altitude_deg / 2 - row_step_deg * (rows - 1) / 2
    row_s = across * (shutter_s + PAUSE_S)
    return Panorama(
        azimuths_deg=tuple((first_deg + k * step_deg) % 360 for k in range(across)),
        tilts_deg=tuple(lowest_deg + row_step_deg * k for k in range(rows)),
        step_deg=step_deg,
        overlap=OVERLAP,
        shutter_s=shutter_s,
        row_s=row_s,
        row_drift_deg=row_s * TURN_DEG_PER_S,
        seam_drift_deg=(shutter_s + PAUSE_S) * TURN_DEG_PER_S,
    )
