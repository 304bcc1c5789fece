"""Forecasts over the same hours, asked as one, say what each by itself would."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from alerts.common.span import Span
from alerts.weather.forecast import Forecast
from alerts.weather.hours import HourlyWeather, Hours
from alerts.weather.worst_of import (
    KNOWN_FROM_SHARE,
    NOTHING,
    AlignedHours,
    HazardQuery,
    Worst,
    aligned,
    worse_of,
    worst_of_each,
)
from tests.unit.alerts.weather.values import HOUR, forecast, hours

START = datetime(2027, 7, 1, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
WIND = HazardQuery.of_field("wind_ms")
LEAST_WIND = HazardQuery(WIND.column, least=True)

values = st.sampled_from((None, 0.0, -0.0, 1.0, 2.5, 2.5, 7.0))
full_values = st.sampled_from((0.0, -0.0, 1.0, 2.5, 7.0))
whole_numbers = st.sampled_from((0, 1, 1.0, 0.0))
COUNT = 6
columns = st.one_of(
    st.lists(full_values, min_size=COUNT, max_size=COUNT),
    st.lists(values, min_size=COUNT, max_size=COUNT),
    st.lists(whole_numbers, min_size=COUNT, max_size=COUNT),
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
        rows.append(HourlyWeather(at, at + HOUR, wind_ms=value))
        at += HOUR
    return Hours.of(rows)


def span_of(given_span: tuple[int, int]) -> Span:
    start = START + given_span[0] * MINUTE
    return Span(start, start + given_span[1] * MINUTE)


def written(found: Worst) -> tuple[str, datetime | None, bool]:
    """As it would be stored: two zeros, and a whole number as either type, are written differently."""
    return repr(found.value), found.at, found.known


@given(
    gaps,
    st.lists(columns, min_size=1, max_size=4),
    st.lists(spans, min_size=1, max_size=4),
    spans,
    st.booleans(),
)
def test_the_worst_of_all_together_is_the_worst_of_each(
    gaps_min: list[int],
    told: list[list[float | None]],
    chosen: list[tuple[int, int]],
    needed: tuple[int, int],
    least: bool,
) -> None:
    """Whatever was asked before."""
    members, must, asked = [made(gaps_min, column) for column in told], span_of(needed), WIND
    if least:
        asked = LEAST_WIND
    for each in chosen:
        cut = members[0].times.cut(span_of(each))
        covers = cut.time_inside(must) >= KNOWN_FROM_SHARE * must.duration
        slices = [column[cut.first : cut.after] for column in told]
        by_each = worst_of_each(slices, asked, cut, must, covers=covers)
        assert written(AlignedHours(members).worst(asked, cut, must, covers=covers)) == written(by_each)


def test_forecasts_that_are_asked_about_much_work_each_value_out_once() -> None:
    asked: list[float] = []

    def rule(wind_ms: float) -> float:
        asked.append(wind_ms)
        return wind_ms

    group, question = AlignedHours([made([0] * COUNT, [1.0] * COUNT)]), HazardQuery.made_by(rule, "wind_ms")
    for hour in range(COUNT):
        span = span_of((60 * hour, 60))
        group.worst(question, group.times.cut(span), span, covers=True)
    assert len(asked) == 1 + 2 + COUNT  # the first hour, with the second one, and all


def test_forecasts_in_a_row_with_the_same_hours_are_asked_as_one() -> None:
    one, other, later = forecast(), forecast(hours(wind_ms=9.0)), forecast(hours(3))
    found = aligned([one, other, later, replace(one)])
    assert [list(group.members) for group in found] == [
        [one.hours, other.hours],
        [later.hours],
        [one.hours],
    ]
    assert aligned([]) == ()


def test_what_was_joined_is_kept_with_the_first_of_them() -> None:
    """For others it is joined anew."""
    first, second, third = (forecast(hours(wind_ms=speed)) for speed in (1.0, 5.0, 3.0))

    def worst(*forecasts: Forecast) -> float:
        (group,) = aligned(forecasts)
        span = Span(first.hours[0].starts, first.hours[-1].ends)
        found = group.worst(WIND, group.times.cut(span), span, covers=True)
        assert found.known
        return float(found.value)

    assert [worst(first, second), worst(first, third), worst(first, second)] == [5.0, 3.0, 5.0]
    assert len(first.hours.joined) == 2


def test_of_two_findings_the_worse_one_stays_and_equals_begin_with_the_first() -> None:
    weak, strong = Worst(2.0, True, START), Worst(5.0, False, START + HOUR)
    assert worse_of(weak, strong, WIND) == Worst(5.0, True, START + HOUR)
    assert worse_of(weak, strong, LEAST_WIND) == Worst(2.0, True, START)
    assert worse_of(strong, weak._replace(value=5.0), WIND) == Worst(5.0, True, START)
    assert worse_of(NOTHING, weak, WIND) == worse_of(weak, NOTHING, WIND) == weak
