"""Hours kept by column: cuts find what going over all of them finds, and a row is what was put in."""

from __future__ import annotations

import pickle
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from alerts.common.span import Span
from alerts.weather.hours import HourlyWeather, Hours

START = datetime(2027, 7, 1, tzinfo=UTC)
MINUTE = timedelta(minutes=1)

steps = st.lists(
    st.tuples(st.sampled_from((0, 0, 0, 20, 180)), st.sampled_from((60, 180)), st.none() | st.floats(0, 100)),
    max_size=12,
)
"""Minutes missing before an hour, its length, and its cloud."""
spans = st.tuples(st.integers(-100, 2000), st.integers(1, 900))
"""Start in minutes and length."""


def rows_of(given_steps: list[tuple[int, int, float | None]]) -> list[HourlyWeather]:
    hours, at = [], START
    for gap, minutes, cloud in given_steps:
        at += gap * MINUTE
        hours.append(HourlyWeather(at, at + minutes * MINUTE, cloud_total_pct=cloud))
        at += minutes * MINUTE
    return hours


def made(given_steps: list[tuple[int, int, float | None]]) -> Hours:
    return Hours.of(rows_of(given_steps))


def span_of(given_span: tuple[int, int]) -> Span:
    start = START + given_span[0] * MINUTE
    return Span(start, start + given_span[1] * MINUTE)


@given(steps, spans)
def test_a_cut_has_every_hour_that_touches_the_span_and_no_other(
    rows: list[tuple[int, int, float | None]], chosen: tuple[int, int]
) -> None:
    hours, span = made(rows), span_of(chosen)
    touching = [hour for hour in rows_of(rows) if hour.starts < span.end and span.start < hour.ends]
    cut = hours.cut(span)
    assert list(hours[cut.within]) == touching
    assert len(cut) == len(touching)
    assert hours.column("cloud_total_pct", cut.within) == [hour.cloud_total_pct for hour in touching]
    shared = [Span(hour.starts, hour.ends).overlap(span) for hour in touching]
    assert list(cut) == shared


@given(steps, spans, spans)
def test_what_parts_share_with_another_span(
    rows: list[tuple[int, int, float | None]], chosen: tuple[int, int], other: tuple[int, int]
) -> None:
    hours, inside = made(rows), span_of(other)
    cut = hours.cut(span_of(chosen))
    shared = [part.overlap(inside) for part in cut]
    lengths = [part.duration if part else timedelta(0) for part in shared]
    assert [timedelta(microseconds=each) for each in cut.shared_us(inside).tolist()] == lengths


@given(steps, st.integers(-100, 2000))
def test_the_hour_of_a_moment_holds_it(rows: list[tuple[int, int, float | None]], minute: int) -> None:
    hours, at = made(rows), START + minute * MINUTE
    holding = [place for place, hour in enumerate(rows_of(rows)) if hour.starts <= at < hour.ends]
    assert hours.index_at(at) == (holding[0] if holding else None)
    assert hours.at(at) == (rows_of(rows)[holding[0]] if holding else None)


def test_forecasts_over_the_same_hours_share_their_times() -> None:
    rows = [(0, 60, 1.0), (20, 60, None), (0, 180, 3.0)]
    one, other = made(rows), made([(gap, minutes, 50.0) for gap, minutes, _ in rows])
    assert one.times is other.times
    assert made(rows[:2]).times is not one.times


@given(steps, st.integers(-14, 14), st.integers(-14, 14))
def test_a_row_is_what_was_put_in(
    given_steps: list[tuple[int, int, float | None]], first: int, after: int
) -> None:
    rows, hours = rows_of(given_steps), made(given_steps)
    assert list(hours) == rows
    assert len(hours) == len(rows)
    assert list(hours[first:after]) == rows[first:after]
    if -len(rows) <= first < len(rows):
        assert hours[first] == rows[first]
    assert repr(hours) == repr(tuple(rows))
    for name in ("cloud_total_pct", "fog_pct", "thunder_named"):
        assert list(hours.column(name)) == [getattr(row, name) for row in rows]


@given(steps)
def test_equal_hours_are_equal_however_their_columns_came(
    given_steps: list[tuple[int, int, float | None]],
) -> None:
    hours = made(given_steps)
    clouds = tuple(hours.column("cloud_total_pct"))
    unknown = {"cloud_total_pct": clouds, "fog_pct": [None] * len(hours)}
    other = Hours(tuple(hours.starts), tuple(hours.ends), unknown)
    assert hours == other
    assert hash(hours) == hash(other)
    assert pickle.loads(pickle.dumps(other)) == hours
    assert set(other.known_columns()) == (
        {"cloud_total_pct"} if any(c is not None for c in clouds) else set()
    )


def test_changed_hours_keep_what_was_not_named() -> None:
    hours = Hours.of([HourlyWeather(START, START + 60 * MINUTE, cloud_total_pct=5.0, wind_ms=3.0)])
    calm = hours.changed({"wind_ms": [0.0], "fog_pct": [20.0]})
    assert (calm[0].cloud_total_pct, calm[0].wind_ms, calm[0].fog_pct) == (5.0, 0.0, 20.0)
    assert calm.times is hours.times
    assert calm != hours
    assert hours != 1
