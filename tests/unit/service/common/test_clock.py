"""A clock that is set is noticed by one that nobody sets."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest

from service.common.clock import ClockWatch, lies_ahead

NOON = datetime(2027, 7, 3, 12, 0, tzinfo=UTC)
NOTHING = timedelta(0)


@dataclass
class Clocks:
    wall: datetime = NOON
    steady_s: float = 100.0

    def pass_by(self, time: timedelta, *, set_by: timedelta = NOTHING) -> None:
        self.steady_s += time.total_seconds()
        self.wall += time + set_by

    def watch(self) -> ClockWatch:
        return ClockWatch(lambda: self.wall, lambda: self.steady_s)


@pytest.mark.parametrize(
    ("set_by", "moved"),
    [
        (timedelta(hours=-6), True),
        (timedelta(hours=3), True),
        (timedelta(seconds=-61), True),
        (timedelta(seconds=61), True),
        (timedelta(seconds=-60), False),
        (timedelta(seconds=2), False),
    ],
)
def test_row_121_a_clock_that_was_set_is_told_once(set_by: timedelta, moved: bool) -> None:
    clocks = Clocks()
    watch = clocks.watch()
    clocks.pass_by(timedelta(seconds=1), set_by=set_by)
    assert watch.moved_by() == (set_by if moved else NOTHING)
    clocks.pass_by(timedelta(days=2))
    assert watch.moved_by() == NOTHING


def test_row_121_small_steps_are_told_once_they_make_a_minute() -> None:
    clocks = Clocks()
    watch = clocks.watch()
    told = []
    for _ in range(5):
        clocks.pass_by(timedelta(hours=1), set_by=timedelta(seconds=-25))
        told.append(watch.moved_by())
    assert told == [NOTHING, NOTHING, timedelta(seconds=-75), NOTHING, NOTHING]


def test_what_has_happened_lies_ahead_only_by_more_than_a_minute() -> None:
    assert not lies_ahead(NOON, NOON)
    assert not lies_ahead(NOON + timedelta(seconds=60), NOON)
    assert lies_ahead(NOON + timedelta(seconds=61), NOON)
