"""One rounding of times: leaving earlier, opening later, no minute promised that isn't there."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.span import Span
from alerts.common.time_text import (
    minute_down,
    minute_up,
    nearest_minute,
    said_minutes,
    say_clock,
    say_lasting,
    utc_text,
    whole_minutes,
)

AT = datetime(2026, 7, 15, 21, 11, tzinfo=UTC)
MOMENTS = st.datetimes(
    AT.replace(tzinfo=None) - timedelta(days=2000),
    AT.replace(tzinfo=None) + timedelta(days=9000),
    timezones=st.just(UTC),
)


@pytest.mark.parametrize(
    ("seconds", "down", "up", "nearest"),
    [(0, 0, 0, 0), (0.4, 0, 0, 0), (1, 0, 1, 0), (29, 0, 1, 0), (30, 0, 1, 1), (59.9, 0, 1, 1)],
)
def test_a_moment_is_rounded_by_what_it_is_for(seconds: float, down: int, up: int, nearest: int) -> None:
    at = AT + timedelta(seconds=seconds)
    minutes = [
        round((each(at) - AT) / timedelta(minutes=1)) for each in (minute_down, minute_up, nearest_minute)
    ]
    assert minutes == [down, up, nearest]


@given(MOMENTS, st.timedeltas(timedelta(minutes=2), timedelta(hours=12)))
def test_a_window_in_whole_minutes_lies_within_it_and_loses_less_than_two(
    start: datetime, length: timedelta
) -> None:
    span = Span(start, start + length)
    whole = whole_minutes(span)
    assert whole.start >= start.replace(microsecond=0)
    assert whole.end <= span.end
    assert span.duration - whole.duration < timedelta(minutes=2)
    assert whole_minutes(whole) == whole


def test_a_span_without_a_whole_minute_stays_as_it_is() -> None:
    span = Span(AT + timedelta(seconds=10), AT + timedelta(seconds=70))
    assert whole_minutes(span) == span


def test_a_window_is_said_as_long_as_the_times_beside_it() -> None:
    span = Span(AT - timedelta(seconds=20), AT + timedelta(hours=4, minutes=8, seconds=55))
    shown = whole_minutes(span)
    assert (say_clock(shown.start, UTC), say_clock(shown.end, UTC)) == ("21:11", "01:19")
    assert say_lasting(span) == "4 h 8 min"
    assert said_minutes(span, span) == 2 * 248


@given(MOMENTS)
def test_who_reads_the_seconds_comes_to_the_same_minutes(at: datetime) -> None:
    """JSON says times to the second: rounding those must not lead elsewhere than rounding the moment."""
    said = utc_text(at)
    assert said is not None
    read = datetime.fromisoformat(said)
    assert (minute_down(read), minute_up(read)) == (minute_down(at), minute_up(at))
