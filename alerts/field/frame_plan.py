"""Where to point; how many frames, how long they take, and when to start so that the best moment is in their
middle; and a row of upright frames for what no single frame holds, the arch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from alerts.common.span import Span
from alerts.field.exposure import DARKS, STACKED, true_shutter_s
from alerts.field.kit import Kit
from alerts.field.projection import CameraView
from alerts.sky.night import Shape

if TYPE_CHECKING:
    from alerts.sky.tracks import Alignment

PAUSE = timedelta(seconds=4)
"""Between frames: two-second delay, and time to write the file (common practice)."""
HIGHEST_OVER_DEG = 50.0
"""Above this a core doesn't read as standing over something on the ground; the band's foot does."""
GROUND_DEG = 7.0
"""Land below the horizon at the frame's lower edge (common practice: the lower quarter of the frame)."""
ROOM_DEG = 8.0
"""Sky kept above the core."""
ARCH_SPAN_DEG = 180.0
"""A great circle meets the level horizon at two bearings half a turn apart."""
OVERLAP = 0.35
"""Share of a frame's angle that its neighbour shows again (common practice: a third, and more for
wide lenses, whose edges are stretched)."""
PAUSE_S = 5.0
"""From one frame to the next: turn the head, two-second delay (common practice)."""
TURN_DEG_PER_S = 15.041067 / 3600
ARCH_ROOM_DEG = 10.0
"""Sky kept above an arch's apex, and land kept below the level horizon."""


@dataclass(frozen=True, slots=True)
class FramePlan:
    """One series: frames of the sky, then darks, all at the same settings.

    best_at: the moment to be in the middle of it. over: name of the foreground it stands over then, ""
    when the site has none; what: "core" or "foot". start_at: first frame. shutter_s: as marked; sky_s,
    darks_s: how long the frames and the darks take by its true time, to the second.
    """

    frames: int
    darks: int
    shutter_s: float
    sky_s: float
    darks_s: float
    start_at: datetime
    best_at: datetime
    over: str = ""
    what: str = ""


def plan_frames(
    window: Span,
    shutter_s: float,
    alignments: Sequence[Alignment] = (),
    best: Span | None = None,
    moment: datetime | None = None,
) -> FramePlan:
    """Eight frames about the best moment in `window`, two darks after them.

    alignments: those inside the window; a core's counts up to 50 degrees of altitude, else the foot's.
    best: the clearest stretch, preferred where several moments offer themselves. moment: the best one
    where nothing aligns; the middle of the clearest stretch without it. The series stays inside the
    window where it fits.
    """
    each_s = true_shutter_s(shutter_s) + PAUSE.total_seconds()
    sky = timedelta(seconds=round(STACKED * each_s))
    chosen = best_alignment(window, alignments, best)
    clear = (best.overlap(window) if best else None) or window
    best_at = chosen.at.at if chosen else moment or clear.middle
    start = max(window.start, min(best_at - sky / 2, window.end - sky))
    return FramePlan(
        frames=STACKED,
        darks=DARKS,
        shutter_s=shutter_s,
        sky_s=sky.total_seconds(),
        darks_s=float(round(DARKS * each_s)),
        start_at=start,
        best_at=best_at,
        over=chosen.foreground.name if chosen else "",
        what=chosen.over.value if chosen else "",
    )


def best_alignment(
    window: Span, alignments: Sequence[Alignment], best: Span | None = None
) -> Alignment | None:
    """The alignment to shoot: inside the clearest stretch before outside it, a core before a foot,
    then the one nearest to the middle; None when nothing aligns."""
    clear = (best.overlap(window) if best else None) or window
    usable = [
        found
        for found in alignments
        if found.over == "foot" or found.at.altitude_deg <= HIGHEST_OVER_DEG
        if window.start <= found.at.at <= window.end
    ]
    return min(
        usable,
        key=lambda found: (
            not clear.start <= found.at.at <= clear.end,
            found.over != "core",
            abs(found.at.at - clear.middle),
        ),
        default=None,
    )


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


@dataclass(frozen=True, slots=True)
class Panorama:
    """What to take, row by row from the ground up, each from left to right.

    azimuths_deg: where the frames of a row point. tilts_deg: one a row, lowest first. step_deg:
    between neighbours. shutter_s: as marked. row_s: time for one row. row_drift_deg, seam_drift_deg: how
    far a star on the celestial equator moves (the most there is) in one row, and from a frame to its
    neighbour.
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

    A frame tilted up shows less of the horizon than of the sky above it: neighbours overlap by `OVERLAP` at
    the horizon, and in a row above at the middle of what it shares with the row below. Frames across: half a
    turn over the step, rounded up; what the outer frames show beyond it is lost when the picture is
    straightened. Rows: enough to reach from 10 degrees below the horizon to 10 above the apex.
    """
    wide_deg, high_deg = kit.field_of_view_deg(portrait=True)
    row_step_deg = high_deg * (1 - OVERLAP)
    needed_deg = apex_altitude_deg + 2 * ARCH_ROOM_DEG
    rows = 1 + max(0, math.ceil((needed_deg - high_deg) / row_step_deg - 1e-9))
    lowest_deg = apex_altitude_deg / 2 - row_step_deg * (rows - 1) / 2
    tilts_deg = tuple(lowest_deg + row_step_deg * k for k in range(rows))

    shown_deg = [wide_deg]
    for row, tilt_deg in enumerate(tilts_deg):
        seam_deg = max(0.0, tilt_deg - high_deg * (1 - OVERLAP) / 2) if row else 0.0
        view = CameraView.of(kit, 0.0, tilt_deg, portrait=True)
        shown_deg.append(2 * view.half_width_deg(seam_deg))
    step_deg = min(shown_deg) * (1 - OVERLAP)
    across = max(1, math.ceil(ARCH_SPAN_DEG / step_deg - 1e-9))
    first_deg = apex_azimuth_deg - step_deg * (across - 1) / 2
    each_s = true_shutter_s(shutter_s) + PAUSE_S
    return Panorama(
        azimuths_deg=tuple((first_deg + k * step_deg) % 360 for k in range(across)),
        tilts_deg=tilts_deg,
        step_deg=step_deg,
        overlap=OVERLAP,
        shutter_s=shutter_s,
        row_s=across * each_s,
        row_drift_deg=across * each_s * TURN_DEG_PER_S,
        seam_drift_deg=each_s * TURN_DEG_PER_S,
    )
