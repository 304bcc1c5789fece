"""Panoramas for arches, and when to start a series of frames."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest

from alerts.common.span import Span
from alerts.field.frame_plan import OVERLAP, best_alignment, plan_frames, plan_panorama
from alerts.field.kit import DEFAULT_KIT, FULL_FRAME, Kit, Lens
from alerts.field.projection import CameraView
from alerts.sites.model import Foreground
from alerts.sky.night import TrackPoint
from alerts.sky.tracks import Alignment, Over


def test_a_20_mm_held_upright_takes_five_frames_for_half_the_horizon() -> None:
    """Common practice: 35 % overlap. Tilted up 15°, a frame of 24 mm across shows 2 atan(12 cos 15° / 20) =
    60.2° of the horizon (and 61.9° along its own middle), which leaves 39.1° a frame; 180 / 39.1 = 4.6."""
    found = plan_panorama(DEFAULT_KIT, 30, 135, 25)
    assert (found.frames, found.rows) == (5, 1)
    at_horizon_deg = 2 * math.degrees(math.atan(12 * math.cos(math.radians(15)) / 20))
    assert found.step_deg == pytest.approx(at_horizon_deg * 0.65, abs=0.001)
    assert found.azimuths_deg[2] == 135
    assert found.tilts_deg == (15,)


@pytest.mark.parametrize(
    ("focal_mm", "apex_deg", "frames", "rows"),
    [
        (14, 50, 4, 1),
        (20, 54, 5, 1),
        (24, 40, 6, 1),
        (24, 54, 6, 2),
        (35, 30, 8, 1),
        (35, 54, 8, 2),
        (50, 54, 11, 3),
    ],
)
def test_longer_lenses_and_higher_arches_take_more_frames(
    focal_mm: float, apex_deg: float, frames: int, rows: int
) -> None:
    found = plan_panorama(Kit(FULL_FRAME, Lens(focal_mm, 2.8)), apex_deg, 0, 10)
    assert (found.frames, found.rows) == (frames, rows)
    _, high_deg = Kit(FULL_FRAME, Lens(focal_mm, 2.8)).field_of_view_deg(portrait=True)
    assert found.tilts_deg[0] - high_deg / 2 <= -10 + 1e-9
    assert found.tilts_deg[-1] + high_deg / 2 >= apex_deg + 10 - 1e-9


KITS = [
    *(Kit(FULL_FRAME, Lens(focal_mm, 2.8)) for focal_mm in (14, 20, 24, 35, 50)),
    *(Kit(FULL_FRAME, Lens(focal_mm, 2.8, fisheye=True)) for focal_mm in (8, 15)),
]


@pytest.mark.parametrize("kit", KITS, ids=lambda kit: kit.lens_words)
@pytest.mark.parametrize("apex_deg", [15, 30, 54, 70])
def test_neighbours_overlap_at_the_horizon_as_well(kit: Kit, apex_deg: float) -> None:
    """Counted in the pictures themselves: of the horizon that one frame shows, its neighbour shows 35 %
    again, and no bearing of the half turn is left out."""
    plan = plan_panorama(kit, apex_deg, 180, 10)
    bearings = np.arange(0, 360, 0.02)
    shown = []
    for azimuth in plan.azimuths_deg:
        view = CameraView.of(kit, azimuth, plan.tilts_deg[0], portrait=True)
        x, y = view.project(np.zeros_like(bearings), bearings)
        shown.append((np.abs(x) <= view.width_mm / 2) & (np.abs(y) <= view.height_mm / 2))
    for one, other in pairwise(shown):
        assert (one & other).sum() >= (OVERLAP - 0.001) * one.sum()
    half_turn = np.abs(bearings - 180) <= 89.9
    assert np.any(shown, axis=0)[half_turn].all()


def test_a_row_is_timed_against_the_sky() -> None:
    """15.041° an hour: five frames marked 25 s, which last 25.4 s, and 5 s between are 152 s and 0.63°."""
    found = plan_panorama(DEFAULT_KIT, 30, 135, 25)
    assert found.row_s == pytest.approx(5 * (2 ** (14 / 3) + 5))
    assert found.row_drift_deg == pytest.approx(0.635, abs=0.001)
    assert found.seam_drift_deg == pytest.approx(0.127, abs=0.001)


def test_frames_wrap_past_north() -> None:
    found = plan_panorama(DEFAULT_KIT, 30, 20, 25)
    assert found.azimuths_deg[0] == pytest.approx(20 - 2 * found.step_deg + 360)


def july(hour: int, minute: int = 0, second: int = 0) -> datetime:
    return datetime(2026, 7, 18, hour, minute, second, tzinfo=UTC)


WINDOW = Span(july(20), july(23))


def standing(name: str, over: Over, at: datetime, altitude_deg: float = 20) -> Alignment:
    span = Span(at - timedelta(minutes=10), at + timedelta(minutes=10))
    return Alignment(Foreground(name, 196), over, span, TrackPoint(at, altitude_deg, 196))


def test_eight_frames_lie_about_the_best_minute() -> None:
    """Common practice: eight identical frames, two darks; those marked 30 s last 32 s: 8 × (32 + 4) s."""
    found = plan_frames(WINDOW, 30, [standing("the peak", Over.CORE, july(21, 26))])
    assert (found.frames, found.darks, found.sky_s, found.darks_s) == (8, 2, 288, 72)
    assert found.start_at == july(21, 23, 36)
    assert found.start_at + timedelta(seconds=found.sky_s + found.darks_s) == july(21, 29, 36)
    assert (found.over, found.what) == ("the peak", "core")


@pytest.mark.parametrize(
    ("best_at", "start_at"),
    [(july(20), july(20)), (july(23), july(22, 57, 20)), (july(21), july(20, 58, 40))],
    ids=["at the start", "at the end", "inside"],
)
def test_the_series_stays_inside_the_window(best_at: datetime, start_at: datetime) -> None:
    """Those marked 15 s last 16 s: eight take 8 × (16 + 4) s = 2 min 40 s."""
    assert plan_frames(WINDOW, 15, [standing("x", Over.CORE, best_at)]).start_at == start_at


def test_without_a_foreground_the_middle_of_the_clearest_stretch_is_taken() -> None:
    assert plan_frames(WINDOW, 25).best_at == WINDOW.middle
    assert plan_frames(WINDOW, 25, best=Span(july(22), july(23))).best_at == july(22, 30)


LOW_CORE = standing("low core", Over.CORE, july(20, 30), 50)
HIGH_CORE = standing("high core", Over.CORE, july(21, 30), 50.1)
FOOT = standing("foot", Over.FOOT, july(21, 30), 0)
LATE_FOOT = standing("late foot", Over.FOOT, july(22, 30), 0)
OUTSIDE = standing("outside", Over.CORE, july(23, 30))


@pytest.mark.parametrize(
    ("found", "best", "name"),
    [
        ([HIGH_CORE, FOOT], None, "foot"),
        ([HIGH_CORE], None, None),
        ([FOOT, LOW_CORE], None, "low core"),
        ([LOW_CORE, LATE_FOOT], Span(july(22), july(23)), "late foot"),
        ([FOOT, LATE_FOOT], Span(july(22), july(23)), "late foot"),
        ([OUTSIDE], None, None),
        ([], None, None),
    ],
    ids=[
        "core too high",
        "only a high core",
        "core before foot",
        "clear first",
        "nearest",
        "outside",
        "none",
    ],
)
def test_the_best_place_over_a_foreground(
    found: list[Alignment], best: Span | None, name: str | None
) -> None:
    chosen = best_alignment(WINDOW, found, best)
    assert (chosen.foreground.name if chosen else None) == name
