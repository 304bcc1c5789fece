"""From a feed's time marks to the spans that records stand for."""

import itertools
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.span import Span
from service.feeds.shared.time_marks import HOUR, instant_spans, over_periods
from tests.unit.service.feeds.feed_files import utc


def marks(*hours: float) -> list:
    return [utc("2026-01-10T00:00") + hour * HOUR for hour in hours]


def span(start: float, end: float) -> Span:
    return Span(*marks(start, end))


def test_an_instant_stands_for_half_a_step_to_each_side():
    assert instant_spans(marks(20, 21, 22), [HOUR] * 3) == [
        span(19.5, 20.5),
        span(20.5, 21.5),
        span(21.5, 22.5),
    ]


def test_where_steps_grow_each_side_keeps_its_own_half():
    steps = [HOUR, HOUR, 6 * HOUR, 6 * HOUR]
    assert instant_spans(marks(22, 23, 24, 30), steps) == [
        span(21.5, 22.5),
        span(22.5, 23.5),
        span(23.5, 27),
        span(27, 33),
    ]


def test_a_hole_in_a_series_stays_open():
    assert instant_spans(marks(1, 2, 9), [HOUR] * 3) == [span(0.5, 1.5), span(1.5, 2.5), span(8.5, 9.5)]


def test_a_single_instant_has_a_span_too():
    assert instant_spans(marks(5), [HOUR]) == [span(4.5, 5.5)]


@given(st.lists(st.sampled_from([0.5, 1, 3, 6, 50]), max_size=12), st.sampled_from([1, 3, 6]))
def test_spans_never_overlap_and_hold_their_own_instant(gaps, step):
    times = [utc("2026-01-10T00:00")]
    for gap in gaps:
        times.append(times[-1] + gap * HOUR)
    spans = instant_spans(times, [step * HOUR] * len(times))
    assert all(each.contains(at) for each, at in zip(spans, times, strict=True))
    assert all(each.end <= later.start for each, later in itertools.pairwise(spans))
    assert all(each.duration <= step * HOUR for each in spans)


HOURLY = [span(20, 21), span(21, 22), span(22, 23), span(23, 24)], [1.0, 3.0, None, 5.0]


@pytest.mark.parametrize(
    ("over", "highest", "amount"),
    [
        pytest.param(span(20, 21), 1.0, 1.0, id="one whole period"),
        pytest.param(span(20.5, 21.5), 3.0, 2.0, id="half of each of two"),
        pytest.param(span(20, 22), 3.0, 4.0, id="two whole ones"),
        pytest.param(span(20.25, 20.5), 1.0, 0.25, id="a part of one"),
        pytest.param(span(21.5, 22.5), None, None, id="half of it unknown"),
        pytest.param(span(19.5, 20.5), None, None, id="begins before the first"),
        pytest.param(span(23.5, 24.5), None, None, id="ends after the last"),
        pytest.param(span(30, 31), None, None, id="far outside"),
    ],
)
def test_periods_tell_their_highest_and_share_out_their_amount(over, highest, amount):
    assert over_periods([over], *HOURLY) == [highest]
    assert over_periods([over], *HOURLY, is_amount=True) == [amount]


@given(
    st.lists(st.floats(0, 50), min_size=1, max_size=20),
    st.lists(st.integers(1, 59), min_size=1, max_size=8, unique=True),
)
def test_an_amount_shared_out_adds_up_again(amounts, cuts):
    start = utc("2026-01-10T00:00")
    periods = [Span(start + i * HOUR, start + (i + 1) * HOUR) for i in range(len(amounts))]
    edges = [start]
    for i in range(len(amounts)):
        edges += [start + i * HOUR + timedelta(minutes=cut) for cut in sorted(cuts)]
    edges.append(start + len(amounts) * HOUR)
    pieces = [Span(a, b) for a, b in itertools.pairwise(edges)]
    parts = over_periods(pieces, periods, amounts, is_amount=True)
    assert sum(parts) == pytest.approx(sum(amounts))
