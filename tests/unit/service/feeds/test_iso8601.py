"""Times and durations as feeds write them. Examples of durations: RFC 3339 appendix A and ISO 8601-1."""

import pytest

from service.feeds.shared.time_marks import after_duration, parse_instant, parse_interval
from tests.unit.service.feeds.feed_files import utc


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        pytest.param("2026-10-09T12:00:00Z", "2026-10-09T12:00", id="zulu"),
        pytest.param("2026-10-09T12:00:00+00:00", "2026-10-09T12:00", id="zero offset"),
        pytest.param("2026-07-15T20:20:19-04:00", "2026-07-16T00:20:19", id="western offset"),
        pytest.param("2026-07-15T20:00:00+05:45", "2026-07-15T14:15", id="quarter-hour offset"),
    ],
)
def test_times_with_an_offset_become_utc(text, expected):
    assert parse_instant(text) == utc(expected)


@pytest.mark.parametrize(
    "text",
    [
        "2026-10-09T12:00:00",
        "2026-10-09",
        "yesterday",
        "",
        "2026-13-01T00:00:00Z",
        "0001-01-01T00:00:00+14:00",
    ],
)
def test_times_that_nobody_can_place_are_refused(text):
    with pytest.raises(ValueError, match=r"\S"):
        parse_instant(text)


@pytest.mark.parametrize(
    ("duration", "expected"),
    [
        ("PT1H", "2024-01-31T13:00"),
        ("PT13H", "2024-02-01T01:00"),
        ("P1DT18H", "2024-02-02T06:00"),
        ("P7DT14H", "2024-02-08T02:00"),
        ("P7D", "2024-02-07T12:00"),
        ("P1W", "2024-02-07T12:00"),
        ("PT30M", "2024-01-31T12:30"),
        ("PT5H30M", "2024-01-31T17:30"),
        ("PT90S", "2024-01-31T12:01:30"),
        ("PT1.5H", "2024-01-31T13:30"),
        ("PT0,5H", "2024-01-31T12:30"),
        ("P1M", "2024-02-29T12:00"),
        ("P13M", "2025-02-28T12:00"),
        ("P1Y", "2025-01-31T12:00"),
        ("P1Y1M1DT1H1M1S", "2025-03-01T13:01:01"),
    ],
)
def test_durations_of_every_form_are_added(duration, expected):
    assert after_duration(utc("2024-01-31T12:00"), duration) == utc(expected)


@pytest.mark.parametrize(
    "duration",
    [
        "",
        "P",
        "PT",
        "P1",
        "1H",
        "PT1",
        "P1H",
        "PT1D",
        "-PT1H",
        "P1DT",
        "PT1H1H",
        "pt1h",
        "P9999Y",
        "P999999999D",
    ],
)
def test_what_is_no_duration_is_refused(duration):
    with pytest.raises(ValueError, match=r"\S"):
        after_duration(utc("2024-01-31T12:00"), duration)


def test_an_interval_is_half_open():
    span = parse_interval("2022-02-04T14:00:00+00:00/PT3H")
    assert (span.start, span.end) == (utc("2022-02-04T14:00"), utc("2022-02-04T17:00"))
    assert span.contains(span.start)
    assert not span.contains(span.end)


@pytest.mark.parametrize(
    "text", ["2022-02-04T14:00:00Z", "2022-02-04T14:00:00Z/", "2022-02-04T14:00:00Z/PT0S", "/PT1H"]
)
def test_an_interval_needs_a_start_and_some_time(text):
    with pytest.raises(ValueError, match=r"\S"):
        parse_interval(text)
