"""What all forecasts together say of a span is the worst that each by itself does, hour by hour."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.span import Span
from alerts.weather.hazards import KNOWN_FROM_SHARE, NOTHING, Worst, quantities, worst_of
from alerts.weather.hours import HourlyWeather, Hours

HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
START = datetime(2027, 7, 1, tzinfo=UTC)

values = st.sampled_from((None, 0.0, -0.0, 1.0, 2.5, 2.5, 7.0))
full_values = st.sampled_from((0.0, -0.0, 1.0, 2.5, 7.0))
COUNT = 6
columns = st.one_of(
    st.lists(full_values, min_size=COUNT, max_size=COUNT),
    st.lists(values, min_size=COUNT, max_size=COUNT),
    st.just([None] * COUNT),
)
gaps = st.lists(st.sampled_from((0, 0, 0, 30)), min_size=COUNT, max_size=COUNT)
"""Minutes missing before each hour."""
spans = st.tuples(st.integers(-100, 500), st.integers(1, 400))
"""Start in minutes and length."""


def made(gaps_min: list[int], column: list[float | None]) -> Hours:
    rows, at = [], START
    for gap_min, value in zip(gaps_min, column, strict=True):
        at += gap_min * MINUTE
        rows.append(HourlyWeather(at, at + HOUR, wind_ms=value, temperature_c=value))
        at += HOUR
    return Hours.of(rows)


def span_of(given_span: tuple[int, int]) -> Span:
    start = START + given_span[0] * MINUTE
    return Span(start, start + given_span[1] * MINUTE)


def worst_of_each(sources: list[Hours], span: Span, must: Span, *, least: bool = False) -> Worst:
    """As it is said in words, one hour after the other."""
    found, known = list[tuple[float, datetime]](), False
    for hours in sources:
        told = [
            (hour.wind_ms, shared, shared.overlap(must))
            for hour in hours
            if hour.wind_ms is not None and (shared := Span(hour.starts, hour.ends).overlap(span))
        ]
        found += [(-value if least else value, shared.start) for value, shared, _ in told]
        needed = sum((inside.duration for *_, inside in told if inside), timedelta(0))
        known = known or (bool(told) and needed >= KNOWN_FROM_SHARE * must.duration)
    if not found:
        return NOTHING
    worst = max(value for value, _ in found)
    since = min(start for value, start in found if value == worst)
    return Worst(-worst if least else worst, known, since)


@given(
    st.lists(st.tuples(gaps, columns), min_size=1, max_size=4),
    st.booleans(),
    st.lists(spans, min_size=1, max_size=4),
    spans,
)
def test_the_worst_of_all_together_is_the_worst_of_each(
    told: list[tuple[list[int], list[float | None]]],
    alike: bool,
    chosen: list[tuple[int, int]],
    needed: tuple[int, int],
) -> None:
    """Whatever was asked before, over the same hours or over others."""
    sources = [made(told[0][0] if alike else gaps_min, column) for gaps_min, column in told]
    must = span_of(needed)
    for each in chosen:
        span = span_of(each)
        found = worst_of(sources, span, must)
        assert found["wind"] == worst_of_each(sources, span, must)
        assert found["temperature"] == worst_of_each(sources, span, must, least=True)
        assert "=-0.0," not in repr(found)


def test_nobody_says_anything_where_there_are_no_hours() -> None:
    span = Span(START, START + HOUR)
    assert set(worst_of([], span, span).values()) == {NOTHING}


def test_fog_fills_as_much_as_the_one_source_that_has_most_of_it() -> None:
    """Not what two of them have together."""
    one, other = (
        Hours.of(
            HourlyWeather(START + k * HOUR, START + (k + 1) * HOUR, fog_pct=pct) for k, pct in enumerate(told)
        )
        for told in ((90.0, 0.0, 0.0, 50.0), (0.0, 90.0, None, 0.0))
    )
    span = Span(START, START + 4 * HOUR)
    assert worst_of([one, other], span, span)["foggy_share"].value == 0.5


def test_what_is_unknown_makes_no_quantity_known() -> None:
    rows = quantities(Hours.of([HourlyWeather(START, START + HOUR)]))
    assert all(np.isnan(row).all() for row in rows.values())


@pytest.mark.parametrize(
    ("values", "name", "found"),
    [
        ({"thunder_named": True}, "thunder_pct", 100.0),
        ({"thunder_named": True, "thunder_probability_pct": 3.0}, "thunder_pct", 3.0),
        ({"visibility_m": 900.0, "fog_pct": 20.0}, "fog_pct", 100.0),
        ({"visibility_m": 1000.0, "fog_pct": 20.0}, "fog_pct", 20.0),
        ({"precipitation_mm": 0.2, "temperature_c": 1.0}, "icy", 1.0),
        ({"precipitation_mm": 0.1, "temperature_c": 1.0}, "icy", 0.0),
    ],
    ids=["named", "named with a chance", "mist", "no mist", "icy", "too little"],
)
def test_a_quantity_is_made_of_what_the_hour_says(values: dict[str, float], name: str, found: float) -> None:
    hours = Hours.of([HourlyWeather(START, START + HOUR, **values)])  # type: ignore[arg-type]
    assert quantities(hours)[name].tolist() == [found]
