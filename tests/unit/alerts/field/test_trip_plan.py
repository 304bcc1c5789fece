"""The trip: plain subtraction in UTC, shown on the site's clock."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.span import Span
from alerts.common.time_text import say_day, say_minutes, say_span, say_time
from alerts.field.trip_plan import PACK_UP
from alerts.wishes.model import Wishes
from tests.unit.alerts.field.trips import plan
from tests.unit.alerts.judging.values import EVENING, MINUTE, NOON, UNHURRIED, WINDOW, ZONE, utc


def test_leave_by_leaves_time_to_scout() -> None:
    trip = plan(WINDOW, Wishes())
    assert trip.leave_by == utc(15, 23, 53)  # 02:23 less 60 and 90 min
    assert trip.arrive == utc(16, 1, 23)
    assert trip.latest_departure == utc(16, 3, 36)  # 05:36 less 30 and 90 min
    assert trip.home_about == utc(16, 7, 21)  # 05:36 and 15 and 90 min
    assert trip.window == WINDOW


def test_a_drive_across_a_clock_change_takes_its_real_time() -> None:
    """Berlin, 29 March 2026: 02:00 becomes 03:00, so a window at 03:30 is left for at 01:00."""
    berlin = ZoneInfo("Europe/Berlin")
    window = Span(datetime(2026, 3, 29, 1, 30, tzinfo=UTC), datetime(2026, 3, 29, 3, tzinfo=UTC))
    trip = plan(window, Wishes(drive=timedelta(minutes=60), scouting=timedelta(minutes=30)))
    assert say_time(trip.leave_by, berlin) == "Sun 01:00 CET"
    assert say_time(window.start, berlin) == "Sun 03:30 CEST"


lengths = st.integers(0, 24 * 60).map(lambda minutes: minutes * MINUTE)


@UNHURRIED
@given(lengths, lengths, lengths, st.integers(1, 720))
def test_the_times_of_a_trip_are_in_order(
    drive: timedelta, scouting: timedelta, shortest: timedelta, minutes: int
) -> None:
    wishes = Wishes(drive=drive, scouting=scouting, shortest_window=shortest)
    window = Span(NOON, NOON + minutes * MINUTE)
    trip = plan(window, wishes)
    assert trip.leave_by <= trip.arrive <= window.start < window.end < trip.home_about
    assert trip.home_about - window.end == PACK_UP + drive
    if window.duration >= shortest:
        assert trip.leave_by <= trip.latest_departure
    assert trip.latest_departure + drive + shortest == window.end


@pytest.mark.parametrize(
    ("span", "zone", "said"),
    [
        (WINDOW, ZoneInfo(ZONE), "Wed 22:23–01:36 EDT"),
        (
            Span(datetime(2026, 10, 25, 0, 10, tzinfo=UTC), datetime(2026, 10, 25, 1, 40, tzinfo=UTC)),
            ZoneInfo("Europe/Berlin"),
            "Sun 02:10 CEST–02:40 CET",
        ),
        (WINDOW, ZoneInfo("Asia/Kathmandu"), "Thu 08:08–11:21 UTC+5:45"),
        (WINDOW, ZoneInfo("America/Sao_Paulo"), "Wed 23:23–02:36 UTC−3"),
        (WINDOW, ZoneInfo("UTC"), "Thu 02:23–05:36 UTC"),
        (WINDOW, timezone(timedelta(0), "+00"), "Thu 02:23–05:36 UTC+0"),
    ],
    ids=["across midnight", "clocks go back", "no letters", "west", "utc", "no letters at zero"],
)
def test_spans_are_said_on_the_site_s_clock(span: Span, zone: ZoneInfo, said: str) -> None:
    assert say_span(span, zone) == said


def test_moments_are_said_as_a_clock_shows_them() -> None:
    assert say_time(utc(15, 3, 59) + timedelta(seconds=45), ZoneInfo(ZONE)) == "Tue 23:59 EDT"


@pytest.mark.parametrize(
    ("minutes", "said"),
    [(24, "24 min"), (60, "1 h"), (130, "2 h 10 min"), (0, "0 min"), (59.6, "1 h")],
    ids=lambda value: str(value),
)
def test_lengths_are_said_in_hours_and_minutes(minutes: float, said: str) -> None:
    assert say_minutes(timedelta(minutes=minutes)) == said


def test_days_carry_the_weekday() -> None:
    assert say_day(EVENING) == "Wed 15 July"
