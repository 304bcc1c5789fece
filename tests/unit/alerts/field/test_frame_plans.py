"""Panoramas for arches, and when to start a series of frames."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from alerts.common.span import Span
from alerts.field.frame_plan import best_alignment, plan_frames, plan_panorama
from alerts.field.kit import DEFAULT_KIT, FULL_FRAME, Kit, Lens
from alerts.sites.model import Foreground
from alerts.sky.night import TrackPoint
from alerts.sky.tracks import Alignment, Over


def test_a_20_mm_held_upright_takes_five_frames_for_half_the_horizon() -> None:
    """Common practice: 35 % overlap of 61.9° leaves 40.3° a frame; 180 / 40.3 = 4.5."""
    found = plan_panorama(DEFAULT_KIT, 30, 135, 25)
    assert (found.frames, found.rows) == (5, 1)
    assert found.step_deg == pytest.approx(61.93 * 0.65, abs=0.01)
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


def test_a_row_is_timed_against_the_sky() -> None:
    """15.041° an hour: five frames of 25 s and 5 s between them are 150 s and 0.63°."""
    found = plan_panorama(DEFAULT_KIT, 30, 135, 25)
    assert found.row_s == 150
    assert found.row_drift_deg == pytest.approx(0.627, abs=0.001)
    assert found.seam_drift_deg == pytest.approx(0.125, abs=0.001)


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
    """Common practice: eight identical frames, two darks; 8 × (25 + 4) s = 3 min 52 s."""
    found = plan_frames(WINDOW, 25, [standing("the peak", Over.CORE, july(21, 26))])
    assert (found.frames, found.darks, found.sky_s, found.darks_s) == (8, 2, 232, 58)
    assert found.start_at == july(21, 24, 4)
    assert found.start_at + timedelta(seconds=found.sky_s + found.darks_s) == july(21, 28, 54)
    assert (found.over, found.what) == ("the peak", "core")


@pytest.mark.parametrize(
    ("best_at", "start_at"),
    [(july(20), july(20)), (july(23), july(22, 56, 8)), (july(21), july(20, 58, 4))],
    ids=["at the start", "at the end", "inside"],
)
def test_the_series_stays_inside_the_window(best_at: datetime, start_at: datetime) -> None:
    assert plan_frames(WINDOW, 25, [standing("x", Over.CORE, best_at)]).start_at == start_at


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
