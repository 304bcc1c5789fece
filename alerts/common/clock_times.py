"""Times of day on a wall clock, the spans they make, and how it shows a moment; clock changes are met on
purpose.

A time that the clock skips becomes the moment at which it jumps; a time that the clock shows twice is
the earlier of the two. Left to the library it would differ by how one asks. Lengths are taken in UTC.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.common.time_text import face, minute_down, say_day, whole_minutes

DAY = timedelta(days=1)
_SECOND = timedelta(seconds=1)


@lru_cache(maxsize=4096)
def at_clock(day: date, clock: time, zone: tzinfo) -> datetime:
    """The UTC moment at which the zone's clock shows that time on that day."""
    earlier = datetime.combine(day, clock, tzinfo=zone)  # fold 0: the earlier of two
    moment = earlier.astimezone(UTC)
    if moment.astimezone(zone).replace(tzinfo=None) == earlier.replace(tzinfo=None):
        return moment

    # the clock skips that time: when it jumps, to the second, lies between what the two readings of it give
    before, after = earlier.replace(fold=1).astimezone(UTC), moment
    offset = before.astimezone(zone).utcoffset()
    while after - before > _SECOND:
        middle = before + (after - before) // 2
        if middle.astimezone(zone).utcoffset() == offset:
            before = middle
        else:
            after = middle
    return after.replace(microsecond=0)


@dataclass(frozen=True, slots=True)
class ClockSpan:
    """From one time of day to another, on a wall clock; across midnight when it ends before it begins.

    Half-open. Raises BadInput when both are the same time: that is never or always, and says neither.
    """

    begins: time
    ends: time

    def __post_init__(self) -> None:
        if self.begins.tzinfo is not None or self.ends.tzinfo is not None:
            raise BadInput(phrase("common.clock-with-zone"))
        if self.begins == self.ends:
            raise BadInput(phrase("common.clock-span-empty", begins=self.begins, ends=self.ends))

    def __str__(self) -> str:
        return f"{self.begins:%H:%M}–{self.ends:%H:%M}"

    def on(self, day: date, zone: tzinfo) -> Span | None:
        """The span that begins on that day; None where a clock change leaves nothing of it."""
        last_day = day if self.begins < self.ends else day + DAY
        start, end = at_clock(day, self.begins, zone), at_clock(last_day, self.ends, zone)
        return Span(start, end) if start < end else None

    def around(self, at: datetime, zone: tzinfo) -> Span | None:
        """The span that contains an aware time, or None."""
        today = at.astimezone(zone).date()
        for day in (today - DAY, today):
            span = self.on(day, zone)
            if span is not None and span.contains(at):
                return span
        return None

    def touching(self, span: Span, zone: tzinfo) -> Iterator[Span]:
        """Every span that shares time with `span`, ascending."""
        day = span.start.astimezone(zone).date() - DAY
        last = span.end.astimezone(zone).date()
        while day <= last:
            mine = self.on(day, zone)
            if mine is not None and mine.overlap(span) is not None:
                yield mine
            day += DAY


def parse_clock(raw: str) -> time:
    """`22:00`, `7:05`, `24:00` (midnight); BadInput shows the form."""
    hours, colon, minutes = raw.strip().partition(":")
    if colon and hours.isdecimal() and len(hours) <= 2 and minutes.isdecimal() and len(minutes) == 2:
        hour, minute = int(hours), int(minutes)
        if (hour, minute) == (24, 0):
            return time(0)
        if hour <= 23 and minute <= 59:
            return time(hour, minute)
    raise BadInput(phrase("common.clock-unreadable", raw=raw))


def parse_clock_span(raw: str) -> ClockSpan:
    """`22:00-07:00`; BadInput shows the form."""
    begins, dash, ends = raw.replace("–", "-").partition("-")
    if not dash:
        raise BadInput(phrase("common.clock-span-unreadable", raw=raw))
    return ClockSpan(parse_clock(begins), parse_clock(ends))


def zone_info(zone: str) -> ZoneInfo:
    """The zone of that IANA name; BadInput when there is none."""
    try:
        return ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise BadInput(phrase("common.not-a-zone", zone=zone)) from error


@dataclass(frozen=True, slots=True)
class Clock:
    """Writes times as a clock in one zone shows them.

    marks_each: every time carries its zone, because the clocks change between them. hours: 24 or 12.
    """

    zone: ZoneInfo
    marks_each: bool = False
    hours: int = 24

    def local(self, at: datetime) -> datetime:
        return at.astimezone(self.zone)

    def zone_word(self, at: datetime) -> str:
        """`CEST`, or `UTC+3` where the zone has no letters of its own."""
        word = self.local(at).tzname() or ""
        return word if word.isalpha() else offset_word(self.local(at))

    def time(self, at: datetime) -> str:
        """`23:20` (or `11:20 pm`), and `02:30 CET` when the clocks change in between. To the minute."""
        shown = face(_local_minute(self.zone, at), self.hours)
        return f"{shown} {self.zone_word(at)}" if self.marks_each else shown

    def day(self, at: datetime) -> date:
        return _local_minute(self.zone, at).date()

    def stamp(self, at: datetime) -> str:
        """`Sat 18 July, 19:40 CEST`."""
        zone = "" if self.marks_each else f" {self.zone_word(at)}"
        return f"{say_day(self.day(at))}, {self.time(at)}{zone}"

    def span(self, span: Span) -> str:
        """`Sat 18 July, 23:20 to Sun 19 July, 01:50 CEST`, the day said again when it differs."""
        span = whole_minutes(span)
        first, last = self.day(span.start), self.day(span.end)
        end = self.stamp(span.end) if first != last else self.stamp(span.end).partition(", ")[2]
        return f"{say_day(first)}, {self.time(span.start)} to {end}"

    def note(self, at: datetime) -> str:
        """`CEST (UTC+2, Europe/Madrid)`."""
        word, offset = self.zone_word(at), offset_word(self.local(at))
        return f"{word} ({self.zone.key})" if word == offset else f"{word} ({offset}, {self.zone.key})"


def clock_in(zone: str, times: Iterable[datetime], hours: int = 24) -> Clock:
    """The clock of that zone for those times; it marks each of them if the zone's offset changes."""
    tz = zone_info(zone)
    offsets = {at.astimezone(tz).utcoffset() for at in times}
    return Clock(tz, marks_each=len(offsets) > 1, hours=hours)


@lru_cache(maxsize=4096)
def _local_minute(zone: ZoneInfo, at: datetime) -> datetime:
    """The minute that a clock in that zone shows. Kept, since a message says the same few times often."""
    return minute_down(at).astimezone(zone)


def offset_word(local: datetime) -> str:
    """`UTC`, `UTC+2`, `UTC-3:30`."""
    minutes = round((local.utcoffset() or timedelta(0)).total_seconds() / 60)
    if minutes == 0:
        return "UTC"
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{'+' if minutes > 0 else '-'}{hours}" + (f":{rest:02d}" if rest else "")
