"""Polygons cut to a frame, and runs of points."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.briefing.pictures.drawing import (
    Box,
    Point,
    clipped,
    fitting,
    is_drawable,
    runs,
    strips,
    text_width,
    wrapped,
)

BOX = Box(0, 0, 10, 10)
NAN = (math.nan, math.nan)


def area(shape: list[Point]) -> float:
    """By the shoelace formula."""
    pairs = zip(shape, [*shape[1:], *shape[:1]], strict=True)
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in pairs)) / 2


@pytest.mark.parametrize(
    ("shape", "expected"),
    [
        ([(2, 2), (8, 2), (8, 8), (2, 8)], 36),
        ([(-5, -5), (15, -5), (15, 15), (-5, 15)], 100),
        ([(5, 5), (15, 5), (15, 15), (5, 15)], 25),
        ([(-5, 5), (5, -5), (15, 5), (5, 15)], 100),
        ([(-10, 0), (10, 20), (-10, 20)], 0),
        ([(20, 20), (30, 20), (30, 30)], 0),
        ([(0, 0), (20, 20), (0, 20)], 50),
    ],
    ids=[
        "inside",
        "around",
        "corner",
        "diamond through the corners",
        "touching",
        "outside",
        "cut by two sides",
    ],
)
def test_what_lies_in_the_frame_is_kept(shape: list[Point], expected: float) -> None:
    assert area(clipped(shape, BOX)) == pytest.approx(expected)


@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=3, max_size=8))
def test_nothing_is_left_outside_the_frame(shape: list[Point]) -> None:
    assert all(BOX.holds(point, -1e-6) for point in clipped(shape, BOX))


def test_runs_break_at_gaps_and_jumps() -> None:
    points = [(0.0, 0.0), (1.0, 0.0), NAN, (2.0, 0.0), (9.0, 0.0)]
    assert [run for (run,) in runs(points)] == [[(0, 0), (1, 0)], [(2, 0), (9, 0)]]
    assert [run for (run,) in runs(points, widest_step=3)] == [[(0, 0), (1, 0)], [(2, 0)], [(9, 0)]]


def test_a_strip_breaks_where_either_edge_does() -> None:
    upper = [(0.0, 1.0), (1.0, 1.0), (2.0, 1.0), (3.0, 1.0)]
    lower = [(0.0, 0.0), NAN, (2.0, 0.0), (3.0, 0.0)]
    assert list(strips(upper, lower)) == [[(0, 1), (0, 0)], [(2, 1), (3, 1), (3, 0), (2, 0)]]


def test_lines_wrap_and_long_words_are_shortened() -> None:
    lines = wrapped("the core stands over the peak at 01:26", 100, 12)
    assert " ".join(lines) == "the core stands over the peak at 01:26"
    assert all(text_width(line, 12) <= 100 for line in lines)
    assert wrapped("x" * 100, 60, 12)[0].endswith("…")
    assert fitting("Windpump Flat", 1000, 12) == "Windpump Flat"
    assert fitting("Windpump Flat", 3, 12) == ""


@pytest.mark.parametrize(("text", "drawn"), [("Peña", True), ("Скала", True), ("風", False), ("🏜", False)])
def test_what_the_font_draws_is_known(text: str, drawn: bool) -> None:
    assert is_drawable(text) is drawn
