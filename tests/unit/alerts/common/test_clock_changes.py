"""Quiet hours, gates and times to be home across every clock change that the zones' own tables know.

The tables are asked for their changes by bisection on the offset; what the rules make of a wall clock is
then held against a plain walk along the minutes of UTC.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.common.clock_times import DAY, ClockSpan, at_clock
from alerts.common.span import Span
from alerts.common.time_text import say_span, say_time
from alerts.field.trip_plan import home_by
from alerts.sites.model import Site
from alerts.sky.night import name_at, name_of, night_start_s, number_at
from alerts.wishes.model import HomeBy, Wishes
from tests.unit.alerts.field.trips import plan
from tests.unit.alerts.judging.values import HOUR, MINUTE

ZONES = (
    "Europe/Berlin",
    "Europe/Dublin",  # its winter time is the one that is set back: a negative change
    "Europe/Lisbon",
    "America/New_York",
    "America/St_Johns",  # half hours, once at a minute past midnight
    "America/Havana",  # at midnight
    "America/Santiago",  # at midnight, into the day before
    "America/Nuuk",  # on the evening before
    "Australia/Lord_Howe",  # by half an hour
    "Pacific/Chatham",  # at a quarter to three and three
    "Pacific/Apia",  # left out 30 December 2011
    "Pacific/Kwajalein",  # left out 21 August 1993
    "Antarctica/Troll",  # by two hours
    "Africa/Casablanca",  # around Ramadan
    "Asia/Tehran",
    "Asia/Beirut",
    "Asia/Pyongyang",  # once by half an hour, for good
    "America/Caracas",
)
YEARS = (1990, 2037)


@dataclass(frozen=True)
class Change:
    """zone: its clock shows another offset from `at` on. by: how far it jumps, negative for back."""

    zone: str
    at: datetime
    by: timedelta

    def __str__(self) -> str:
        return f"{self.zone} {self.at:%Y-%m-%dT%H:%MZ} {self.by}"


@cache
def changes() -> tuple[Change, ...]:
    return tuple(change for zone in ZONES for change in _changes_of(zone))


def _changes_of(name: str) -> Iterator[Change]:
    zone = ZoneInfo(name)
    at, end = (datetime(year, 1, 1, tzinfo=UTC) for year in YEARS)
    while at < end:
        if _offset(at, zone) != _offset(at + DAY, zone):
            moment = _bisect(at, at + DAY, zone)
            yield Change(name, moment, _offset(moment, zone) - _offset(moment - MINUTE, zone))
        at += DAY


def _offset(at: datetime, zone: ZoneInfo) -> timedelta:
    return at.astimezone(zone).utcoffset() or timedelta(0)


def _bisect(before: datetime, after: datetime, zone: ZoneInfo) -> datetime:
    offset = _offset(before, zone)
    while after - before > timedelta(seconds=1):
        middle = before + (after - before) // 2
        before, after = (middle, after) if _offset(middle, zone) == offset else (before, middle)
    return after.replace(microsecond=0)


def _wall(at: datetime, zone: ZoneInfo) -> datetime:
    return at.astimezone(zone).replace(tzinfo=None)


def _first_shown(day: date, clock: time, zone: ZoneInfo, around: datetime) -> datetime:
    """A plain walk: the first minute of UTC at which the clock shows that time of that day, or is past it."""
    wanted = datetime.combine(day, clock)
    at = around - 3 * DAY
    while _wall(at + 6 * HOUR, zone) < wanted - 3 * HOUR:
        at += 6 * HOUR
    while _wall(at, zone) < wanted:
        at += MINUTE
    return at


def test_there_are_changes_of_every_kind_to_test_on() -> None:
    found = changes()
    assert len(found) > 1000
    assert {change.zone for change in found} == set(ZONES)
    jumps = {change.by for change in found}
    assert {HOUR, -HOUR, 30 * MINUTE, -30 * MINUTE, 2 * HOUR, -2 * HOUR, DAY} <= jumps


def _utc(month: int, day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=UTC)


picked = st.sampled_from(changes())
shifts = st.integers(-200, 200).map(lambda minutes: minutes * MINUTE)


@settings(deadline=None, max_examples=150)
@given(picked, shifts)
def test_a_time_of_day_is_the_first_moment_at_which_the_clock_shows_it_or_is_past_it(
    change: Change, shift: timedelta
) -> None:
    """So a skipped time is the jump itself, and of a repeated one the earlier."""
    zone = ZoneInfo(change.zone)
    wanted = _wall(change.at - MINUTE, zone) + MINUTE + shift
    found = at_clock(wanted.date(), wanted.time(), zone)
    assert found == _first_shown(wanted.date(), wanted.time(), zone, change.at)
    assert found.tzinfo is UTC


@settings(deadline=None, max_examples=100)
@given(picked, st.integers(0, 1439), st.integers(1, 1439), st.integers(-1500, 1500))
def test_every_moment_is_in_quiet_hours_or_not_as_the_clock_says(
    change: Change, begins: int, lasts: int, offset: int
) -> None:
    """Off the changes themselves the plain reading holds: the time of day lies in the span, or it doesn't."""
    zone, at = ZoneInfo(change.zone), change.at + offset * MINUTE
    quiet = ClockSpan(_clock(begins), _clock(begins + lasts))
    found = quiet.around(at, zone)
    assert found is None or found.contains(at)
    if abs(offset * MINUTE) > abs(change.by) + HOUR and abs(change.by) < DAY:
        shown = at.astimezone(zone).time().replace(tzinfo=None)
        inside = _lies_in(shown, quiet)
        touches = found is not None and found.overlap(Span(change.at - 2 * HOUR, change.at + 2 * HOUR))
        assert (found is not None) is inside or touches


def _clock(minute: int) -> time:
    return time(minute % 1440 // 60, minute % 60)


def _lies_in(shown: time, quiet: ClockSpan) -> bool:
    if quiet.begins < quiet.ends:
        return quiet.begins <= shown < quiet.ends
    return shown >= quiet.begins or shown < quiet.ends


@settings(deadline=None, max_examples=60)
@given(picked, st.integers(0, 1439), st.integers(1, 1439))
def test_quiet_spans_follow_one_another_and_never_overlap(change: Change, begins: int, lasts: int) -> None:
    zone = ZoneInfo(change.zone)
    quiet = ClockSpan(_clock(begins), _clock(begins + lasts))
    spans = list(quiet.touching(Span(change.at - 3 * DAY, change.at + 3 * DAY), zone))
    assert all(left.end <= right.start for left, right in pairwise(spans))
    longest = lasts * MINUTE + max(-change.by, timedelta(0))
    assert all(span.duration <= longest for span in spans)
    for span in spans:
        assert quiet.around(span.start, zone) == span
        assert quiet.around(span.end, zone) != span


SKIPPED = {
    "Berlin, 02:30 on the day the clocks go forward: the jump": (
        ("Europe/Berlin", date(2026, 3, 29), time(2, 30)),
        _utc(3, 29, 1),
    ),
    "Berlin, 02:30 on the day they go back: the first of two": (
        ("Europe/Berlin", date(2026, 10, 25), time(2, 30)),
        _utc(10, 25, 0, 30),
    ),
    "Lord Howe, 02:15 of the skipped half hour": (
        ("Australia/Lord_Howe", date(2026, 10, 4), time(2, 15)),
        _utc(10, 3, 15, 30),
    ),
    "Lord Howe, 01:45 shown twice": (
        ("Australia/Lord_Howe", date(2026, 4, 5), time(1, 45)),
        _utc(4, 4, 14, 45),
    ),
    "Apia, noon of the day that never was": (
        ("Pacific/Apia", date(2011, 12, 30), time(12)),
        datetime(2011, 12, 30, 10, tzinfo=UTC),
    ),
    "Troll, 02:59 of two skipped hours": (
        ("Antarctica/Troll", date(2026, 3, 29), time(2, 59)),
        _utc(3, 29, 1),
    ),
    "Dublin, 01:30 shown twice": (
        ("Europe/Dublin", date(2026, 10, 25), time(1, 30)),
        _utc(10, 25, 0, 30),
    ),
    "Santiago, midnight of the day that begins at one": (
        ("America/Santiago", date(2026, 9, 6), time(0)),
        _utc(9, 6, 4),
    ),
}


@pytest.mark.parametrize(("shown", "moment"), SKIPPED.values(), ids=SKIPPED.keys())
def test_row_14_and_15_skipped_and_repeated_times(shown: tuple[str, date, time], moment: datetime) -> None:
    zone, day, clock = shown
    assert at_clock(day, clock, ZoneInfo(zone)) == moment


@settings(deadline=None, max_examples=100)
@given(picked, st.integers(-720, 720), st.integers(30, 600), st.integers(0, 400), st.integers(0, 120))
def test_row_16_a_trip_across_a_change_takes_the_time_that_it_takes(
    change: Change, start: int, lasts: int, drive: int, scouting: int
) -> None:
    """Whatever the clocks do on the way, the hours add up in UTC."""
    window = Span(change.at + start * MINUTE, change.at + (start + lasts) * MINUTE)
    trip = plan(window, Wishes(drive=drive * MINUTE, scouting=scouting * MINUTE))
    pieces = (
        trip.arrive - trip.leave_by,
        trip.window.start - trip.arrive,
        trip.window.duration,
        trip.home_about - trip.window.end,
    )
    assert sum(pieces, timedelta(0)) == trip.home_about - trip.leave_by
    assert trip.arrive - trip.leave_by == drive * MINUTE
    assert trip.leave_by.tzinfo is UTC
    zone = ZoneInfo(change.zone)
    said = say_time(trip.leave_by, zone)
    shown = (trip.leave_by + 30 * timedelta(seconds=1)).astimezone(zone)
    assert f"{shown:%H:%M}" in said


SAID = {
    "the night goes forward": (
        ("Europe/Berlin", _utc(3, 29, 0, 10), _utc(3, 29, 3, 5)),
        "Sun 01:10 CET–05:05 CEST",
    ),
    "the night goes back: both words, or one would read it as an hour": (
        ("Europe/Berlin", _utc(10, 25, 0, 10), _utc(10, 25, 2)),
        "Sun 02:10 CEST–03:00 CET",
    ),
    "back by half an hour": (
        (
            "Australia/Lord_Howe",
            _utc(4, 4, 14, 45),
            _utc(4, 4, 17),
        ),
        "Sun 01:45 UTC+11–03:30 UTC+10:30",
    ),
    "two hours at once": (
        ("Antarctica/Troll", _utc(3, 29, 0), _utc(3, 29, 4)),
        "Sun 00:00 UTC+0–06:00 UTC+2",
    ),
}


@pytest.mark.parametrize(("span", "said"), SAID.values(), ids=SAID.keys())
def test_row_15_a_span_over_a_change_says_both_clocks(
    span: tuple[str, datetime, datetime], said: str
) -> None:
    zone, start, end = span
    assert say_span(Span(start, end), ZoneInfo(zone)) == said


HOME = {
    "an ordinary night": (date(2026, 7, 17), time(2), _utc(7, 18, 0)),
    "the time is skipped: when the clock jumps past it": (
        date(2026, 3, 28),
        time(2, 30),
        _utc(3, 29, 1),
    ),
    "the time is shown twice: the first": (
        date(2026, 10, 24),
        time(2, 30),
        _utc(10, 25, 0, 30),
    ),
    "an evening's own hour": (date(2026, 7, 17), time(23), _utc(7, 17, 21)),
}


@pytest.mark.parametrize(("evening", "by", "moment"), HOME.values(), ids=HOME.keys())
def test_home_by_is_read_on_the_morning_s_clock(evening: date, by: time, moment: datetime) -> None:
    site = Site("Kiln Hill", 51.0, 10.0, 300.0, "Europe/Berlin")
    assert home_by(evening, Wishes(home_by=(HomeBy(evening.weekday(), by),)), site) == moment


DATE_LINE = {
    "Apia, before the day it left out": (
        Site("Reef", -13.8, -171.8, 5.0, "Pacific/Apia"),
        date(2011, 12, 28),
    ),
    "Kiritimati, a day ahead of its longitude": (
        Site("Atoll", 1.9, -157.4, 3.0, "Pacific/Kiritimati"),
        date(2026, 7, 14),
    ),
    "Chatham": (Site("Cape", -44.0, -176.5, 20.0, "Pacific/Chatham"), date(2026, 9, 25)),
    "Taveuni, on the meridian of 180°": (
        Site("Ridge", -16.8, 180.0, 400.0, "Pacific/Fiji"),
        date(2026, 7, 14),
    ),
}


@pytest.mark.parametrize(("site", "first"), DATE_LINE.values(), ids=DATE_LINE.keys())
def test_by_the_date_line_nights_keep_the_names_that_people_there_use(site: Site, first: date) -> None:
    """Each night is named by the date on the wall when it begins, and each moment lies in just one night."""
    at = at_clock(first, time(20), site.tz)
    names = []
    for hours in range(0, 24 * 5, 1):
        moment = at + hours * HOUR
        number = number_at(site, moment)
        start = datetime.fromtimestamp(night_start_s(site, number), UTC)
        assert start <= moment < start + DAY
        name = name_at(site, moment)
        assert name == name_of(site, number) == start.astimezone(site.tz).date()
        names.append(name)
    assert names == sorted(names)
    shown = moment_shown(at, site)
    assert names[0] == shown.date() or shown.time() < time(12)
    assert date(2011, 12, 30) not in names


def moment_shown(at: datetime, site: Site) -> datetime:
    return at.astimezone(site.tz).replace(tzinfo=None)
