"""Stretches: the few starts tried find what a minute-by-minute search finds."""

from __future__ import annotations

from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from alerts.weather.hours import Parts
from tests.unit.alerts.judging.values import HOUR, MINUTE, NOON, UNHURRIED


def parts(*bounds_min: tuple[int, int]) -> Parts:
    return Parts(
        [NOON + start * MINUTE for start, _ in bounds_min], [NOON + end * MINUTE for _, end in bounds_min]
    )


def test_a_stretch_touches_only_what_it_needs() -> None:
    assert parts((0, 60), (60, 120), (120, 180)).stretch_at(NOON + 60 * MINUTE, HOUR) == slice(1, 2)


def test_there_is_no_stretch_over_a_gap() -> None:
    with_gap = parts((0, 60), (90, 150))
    assert with_gap.stretch_at(NOON + 30 * MINUTE, HOUR) is None
    assert len(with_gap.stretches(HOUR)) == 2


def test_there_is_no_stretch_beyond_the_ends() -> None:
    assert parts((0, 59)).stretches(HOUR) == {}
    assert parts((0, 60)).stretch_at(NOON - MINUTE, HOUR) is None
    assert parts().stretch_at(NOON, HOUR) is None


def test_an_exact_fit_is_one_stretch() -> None:
    assert len(parts((0, 60)).stretches(HOUR)) == 1


def test_total_adds_up_across_gaps() -> None:
    assert parts((0, 60), (90, 100)).total == timedelta(minutes=70)
    assert parts((0, 60), (60, 70)).total == timedelta(minutes=70)
    assert parts().total == timedelta(0)


def test_some_of_the_parts_leave_a_gap() -> None:
    chosen = parts((0, 60), (60, 120), (120, 180)).only([True, False, True])
    assert list(chosen) == list(parts((0, 60), (120, 180)))
    assert chosen.stretch_at(NOON + 30 * MINUTE, HOUR) is None
    assert len(chosen.stretches(HOUR)) == 2


steps = st.lists(st.tuples(st.integers(0, 15), st.integers(1, 40), st.integers(0, 9)), min_size=1, max_size=8)


@UNHURRIED
@given(steps, st.integers(1, 90))
def test_no_minute_start_beats_the_starts_tried(rows: list[tuple[int, int, int]], length_min: int) -> None:
    """rows: gap before, length and value of each part; the smallest possible worst value is the goal."""
    bounds, at = [], 0
    for gap, minutes, _ in rows:
        bounds.append((at + gap, at + gap + minutes))
        at += gap + minutes
    spans, worth = parts(*bounds), [value for *_, value in rows]
    length = length_min * MINUTE

    def worst(found: slice | None) -> int:
        return max(worth[found]) if found else 99

    tried = min(map(worst, spans.stretches(length).values()), default=99)
    searched = min(worst(spans.stretch_at(NOON + k * MINUTE, length)) for k in range(at))
    assert tried == searched
