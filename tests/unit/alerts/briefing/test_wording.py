"""Times, days, directions and lengths in words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from alerts.common.clock_times import clock_in
from alerts.common.span import Span
from alerts.common.text import clear_words, direction_word, sentence
from alerts.common.time_text import say_minutes

SUMMER = datetime(2026, 7, 18, 21, 20, tzinfo=UTC)
WINTER = datetime(2026, 12, 18, 21, 20, tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "at", "stamp", "note"),
    [
        ("Europe/Madrid", SUMMER, "Sat 18 July, 23:20 CEST", "CEST (UTC+2, Europe/Madrid)"),
        ("Europe/London", WINTER, "Fri 18 December, 21:20 GMT", "GMT (UTC, Europe/London)"),
        ("America/Sao_Paulo", SUMMER, "Sat 18 July, 18:20 UTC-3", "UTC-3 (America/Sao_Paulo)"),
        ("Australia/Lord_Howe", SUMMER, "Sun 19 July, 07:50 UTC+10:30", "UTC+10:30 (Australia/Lord_Howe)"),
        ("America/St_Johns", SUMMER, "Sat 18 July, 18:50 NDT", "NDT (UTC-2:30, America/St_Johns)"),
        ("Pacific/Kiritimati", SUMMER, "Sun 19 July, 11:20 UTC+14", "UTC+14 (Pacific/Kiritimati)"),
        ("Etc/GMT+5", SUMMER, "Sat 18 July, 16:20 UTC-5", "UTC-5 (Etc/GMT+5)"),
        ("UTC", SUMMER, "Sat 18 July, 21:20 UTC", "UTC (UTC)"),
    ],
)
def test_a_time_carries_weekday_and_zone(zone: str, at: datetime, stamp: str, note: str) -> None:
    clock = clock_in(zone, [at])
    assert (clock.stamp(at), clock.note(at)) == (stamp, note)


@pytest.mark.parametrize(
    ("second", "shown"), [(0, "23:20"), (30, "23:20"), (59, "23:20")], ids=["whole", "half", "nearly"]
)
def test_a_time_is_said_as_a_clock_shows_it_then(second: int, shown: str) -> None:
    assert clock_in("Europe/Madrid", [SUMMER]).time(SUMMER.replace(second=second)) == shown


def test_a_span_that_opens_just_before_midnight_opens_on_the_next_day() -> None:
    at = datetime(2026, 7, 18, 21, 59, 40, tzinfo=UTC)
    span = Span(at, at + timedelta(hours=1))
    assert clock_in("Europe/Madrid", [at]).span(span) == "Sun 19 July, 00:00 to 00:59 CEST"


@pytest.mark.parametrize(
    ("zone", "start", "hours", "said"),
    [
        ("Europe/Madrid", datetime(2026, 7, 18, 20, tzinfo=UTC), 1, "Sat 18 July, 22:00 to 23:00 CEST"),
        ("Europe/Madrid", SUMMER, 2, "Sat 18 July, 23:20 to Sun 19 July, 01:20 CEST"),
        (
            "Europe/Berlin",
            datetime(2026, 3, 29, 0, 30, tzinfo=UTC),
            1,
            "Sun 29 March, 01:30 CET to 03:30 CEST",
        ),
        (
            "Europe/Berlin",
            datetime(2026, 10, 25, 0, 30, tzinfo=UTC),
            1,
            "Sun 25 October, 02:30 CEST to 02:30 CET",
        ),
        (
            "Australia/Lord_Howe",
            datetime(2026, 4, 4, 14, 40, tzinfo=UTC),
            1,
            "Sun 5 April, 01:40 UTC+11 to 02:10 UTC+10:30",
        ),
    ],
    ids=["one day", "over midnight", "clocks go forward", "clocks go back", "half an hour back"],
)
def test_a_span_says_its_days_and_both_clocks_when_they_change(
    zone: str, start: datetime, hours: int, said: str
) -> None:
    span = Span(start, start + timedelta(hours=hours))
    assert clock_in(zone, [span.start, span.end]).span(span) == said


@pytest.mark.parametrize(
    ("azimuth_deg", "of_16", "of_8"),
    [
        (0, "north", "north"), (11.2, "north", "north"), (11.3, "north-north-east", "north"),
        (45, "north-east", "north-east"), (135, "south-east", "south-east"), (180, "south", "south"),
        (202, "south-south-west", "south"), (225, "south-west", "south-west"), (270, "west", "west"),
        (348.8, "north", "north"), (359.99, "north", "north"), (360, "north", "north"),
    ],
)  # fmt: skip
def test_azimuth_becomes_the_nearest_direction(azimuth_deg: float, of_16: str, of_8: str) -> None:
    assert (str(direction_word(azimuth_deg)), str(direction_word(azimuth_deg, 8))) == (of_16, of_8)


@pytest.mark.parametrize(
    ("minutes", "wished", "long"),
    [
        (30, "30 clear minutes", "30 min"), (60, "one clear hour", "1 h"),
        (90, "90 clear minutes", "1 h 30 min"), (120, "two clear hours", "2 h"),
        (600, "ten clear hours", "10 h"), (660, "660 clear minutes", "11 h"),
        (0, "0 clear minutes", "0 min"),
    ],
)  # fmt: skip
def test_lengths_in_words_and_in_figures(minutes: int, wished: str, long: str) -> None:
    assert (clear_words(timedelta(minutes=minutes)), say_minutes(timedelta(minutes=minutes))) == (
        wished,
        long,
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [("dew on the lens", "Dew on the lens."), ("MET agrees.", "MET agrees."), ("", ""), ("is it?", "Is it?")],
)
def test_a_clause_becomes_a_sentence(text: str, said: str) -> None:
    assert sentence(text) == said
