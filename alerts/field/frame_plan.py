"""How many frames, how long they take, and when to start so that the best moment is in their middle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from alerts.common.span import Span
from alerts.field.kit import Kit
from alerts.sky.night import Shape

if TYPE_CHECKING:
    from alerts.sky.alignment import Alignment

FRAMES = 8
"""Identical frames to average (common practice: noise falls by the root of their number)."""
DARKS = 2
"""Frames with the cap on, at the same settings and temperature, to find warm pixels."""
PAUSE = timedelta(seconds=4)
"""Between frames: two-second delay, and time to write the file (common practice)."""
HIGHEST_OVER_DEG = 50.0
"""Above this a core doesn't read as standing over something on the ground; the band's foot does."""


@dataclass(frozen=True, slots=True)
class FramePlan:
    """One series: frames of the sky, then darks, all at the same settings.

    best_at: the moment to be in the middle of it. over: name of the foreground it stands over then, ""
    when the site has none; what: "core" or "foot". start_at: first frame. sky_s, darks_s: how long
    the frames and the darks take.
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
    sky = FRAMES * (timedelta(seconds=shutter_s) + PAUSE)
    chosen = best_alignment(window, alignments, best)
    clear = (best.overlap(window) if best else None) or window
    best_at = chosen.at.at if chosen else moment or clear.middle
    start = max(window.start, min(best_at - sky / 2, window.end - sky))
    return FramePlan(
        frames=FRAMES,
        darks=DARKS,
        shutter_s=shutter_s,
        sky_s=sky.total_seconds(),
        darks_s=(DARKS * (timedelta(seconds=shutter_s) + PAUSE)).total_seconds(),
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
