"""Cuts of a forecast's hours find what going over all of them finds."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from alerts.common.span import Span
from alerts.weather.forecast import HourlyWeather, hours_by_column
from alerts.weather.hours import Hours, Series

START = datetime(2027, 7, 1, tzinfo=UTC)
MINUTE = timedelta(minutes=1)

steps = st.lists(
    st.tuples(st.sampled_from((0, 0, 0, 20, 180)), st.sampled_from((60, 180)), st.none() | st.floats(0, 100)),
    max_size=12,
)
"""Minutes missing before an hour, its length, and its cloud."""
spans = st.tuples(st.integers(-100, 2000), st.integers(1, 900))
"""Start in minutes and length."""


def made(rows: list[tuple[int, int, float | None]]) -> Series:
    hours, at = [], START
    for gap, minutes, cloud in rows:
        at += gap * MINUTE
        hours.append(HourlyWeather(at, at + minutes * MINUTE, cloud_total_pct=cloud))
        at += minutes * MINUTE
    return Series(tuple(hours))


def span_of(given_span: tuple[int, int]) -> Span:
    start = START + given_span[0] * MINUTE
    return Span(start, start + given_span[1] * MINUTE)


@given(steps, spans)
def test_a_cut_has_every_hour_that_touches_the_span_and_no_other(
    rows: list[tuple[int, int, float | None]], chosen: tuple[int, int]
) -> None:
    series, span = made(rows), span_of(chosen)
    touching = [hour for hour in series.hours if hour.starts < span.end and span.start < hour.ends]
    cut = series.cut(span)
    assert list(cut.hours) == touching
    assert len(cut) == len(touching)
    assert cut.column("cloud_total_pct") == [hour.cloud_total_pct for hour in touching]
    shared = [Span(hour.starts, hour.ends).overlap(span) for hour in touching]
    assert list(cut.parts) == shared


@given(steps, spans, spans)
def test_the_time_inside_another_span_is_that_of_its_parts(
    rows: list[tuple[int, int, float | None]], chosen: tuple[int, int], other: tuple[int, int]
) -> None:
    cut, inside = made(rows).cut(span_of(chosen)), span_of(other)
    shared = [part.overlap(inside) for part in cut.parts]
    lengths = [part.duration if part else timedelta(0) for part in shared]
    values = cut.column("cloud_total_pct")
    known = [length for length, value in zip(lengths, values, strict=True) if value is not None]
    assert cut.times.time_inside(inside) == sum(lengths, timedelta(0))
    assert cut.times.time_inside(inside, values) == sum(known, timedelta(0))


@given(steps, st.integers(-100, 2000))
def test_the_hour_of_a_moment_holds_it(rows: list[tuple[int, int, float | None]], minute: int) -> None:
    series, at = made(rows), START + minute * MINUTE
    holding = [place for place, hour in enumerate(series.hours) if hour.starts <= at < hour.ends]
    assert series.index_at(at) == (holding[0] if holding else None)


def test_series_over_the_same_hours_share_their_times() -> None:
    rows = [(0, 60, 1.0), (20, 60, None), (0, 180, 3.0)]
    one, other = made(rows), made([(gap, minutes, 50.0) for gap, minutes, _ in rows])
    assert one.times is other.times
    assert made(rows[:2]).times is not one.times


def by_column(hours: Sequence[HourlyWeather]) -> Hours:
    columns = {name: [getattr(hour, name) for hour in hours] for name in ("cloud_total_pct", "fog_pct")}
    return hours_by_column([hour.starts for hour in hours], [hour.ends for hour in hours], columns)


@given(steps, st.integers(-14, 14), st.integers(-14, 14), st.booleans())
def test_hours_by_column_are_the_same_hours(
    rows: list[tuple[int, int, float | None]], first: int, after: int, gone_through: bool
) -> None:
    hours = made(rows).hours
    kept = by_column(hours)
    if gone_through:
        assert list(kept) == list(hours)
    assert len(kept) == len(hours)
    assert kept[first:after] == hours[first:after]
    if -len(hours) <= first < len(hours):
        assert kept[first] == kept[first] == hours[first]
    assert kept == hours
    assert hours == kept
    assert (hash(kept), repr(kept)) == (hash(hours), repr(hours))


@given(steps, spans)
def test_a_series_of_hours_by_column_says_the_same(
    rows: list[tuple[int, int, float | None]], chosen: tuple[int, int]
) -> None:
    plain, span = made(rows), span_of(chosen)
    kept = Series(by_column(plain.hours))
    assert kept.times is plain.times
    one, other = plain.cut(span), kept.cut(span)
    assert tuple(one.hours) == tuple(other.hours)
    for name in ("cloud_total_pct", "fog_pct", "thunder_named"):
        assert one.column(name) == other.column(name)


def test_hours_by_column_are_no_other_thing() -> None:
    hours = made([(0, 60, 1.0)]).hours
    assert by_column(hours) != hours[:0]
    assert by_column(hours) != 1
