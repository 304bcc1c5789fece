"""A wish for a shape is met by one beside another too; nights of earlier rules are judged as they were."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from alerts.common.span import Span
from alerts.judging.ranking import shape_time
from alerts.judging.rules import Result, shape
from alerts.sky.night import DarkWindow, Shape, ShapeSpan
from alerts.wishes.model import Wishes
from tests.unit.alerts.judging.values import WINDOW, dark_window

HALF_HOUR = timedelta(minutes=30)
CHANGE = WINDOW.start + 3 * HALF_HOUR


def window(first: ShapeSpan, then: ShapeSpan) -> DarkWindow:
    return replace(dark_window(), shapes=(first, then))


NOW = window(
    ShapeSpan(Shape.ARCH, Span(WINDOW.start, CHANGE), (Shape.LEANING,), 62),
    ShapeSpan(Shape.OVERHEAD, Span(CHANGE, WINDOW.end), (Shape.COLUMN,)),
)
EARLIER = window(
    ShapeSpan(Shape.LEANING, Span(WINDOW.start, CHANGE)), ShapeSpan(Shape.OVERHEAD, Span(CHANGE, WINDOW.end))
)


@pytest.mark.parametrize(
    ("asked", "now", "earlier"),
    [
        ((Shape.ARCH,), 3 * HALF_HOUR, timedelta(0)),
        ((Shape.LEANING,), 3 * HALF_HOUR, 3 * HALF_HOUR),
        ((Shape.COLUMN,), WINDOW.end - CHANGE, timedelta(0)),
        ((Shape.OVERHEAD, Shape.COLUMN), WINDOW.end - CHANGE, WINDOW.end - CHANGE),
        ((Shape.ARCH, Shape.LEANING, Shape.COLUMN), WINDOW.duration, 3 * HALF_HOUR),
    ],
    ids=["an arch", "leaning as before", "a column", "no minute twice", "all of it"],
)
def test_how_long_what_was_asked_for_stands(
    asked: tuple[Shape, ...], now: timedelta, earlier: timedelta
) -> None:
    assert shape_time(NOW, WINDOW, asked) == now
    assert shape_time(EARLIER, WINDOW, asked) == earlier


def test_what_stands_is_named_once_each() -> None:
    wishes = Wishes(shapes=(Shape.COLUMN,), shortest_window=HALF_HOUR)
    met, missed = shape(NOW, WINDOW, wishes), shape(EARLIER, WINDOW, wishes)
    assert met is not None
    assert missed is not None
    assert met.result is Result.PASS
    assert missed.result is Result.FAIL
    assert "stands as a leaning band, then a band overhead; you asked for an upright column" in str(
        missed.text
    )
