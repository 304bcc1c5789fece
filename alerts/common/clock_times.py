"""Times of day on a wall clock, and the spans they make; clock changes are met on purpose.

A time that the clock skips becomes the moment at which it jumps; a time that the clock shows twice is
the earlier of the two. Left to the library it would differ by how one asks. Lengths are taken in UTC.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.span import Span

DAY = timedelta(days=1)
_SECOND = timedelta(seconds=1)


@lru_cache(maxsize=4096)
def at_clock(day: date, clock: time, zone: tzinfo) -> datetime:
    """The UTC moment at which the zone's clock shows that time on that day."""
    earlier = datetime.combine(day, clock, tzinfo=zone)  # fold 0: the earlier of two
    moment = earlier.astimezone(UTC)
    if moment.astimezone(zone).replace(tzinfo=None) == earlier.replace(tzinfo=None):
        return moment
    return _jump(earlier.replace(fold=1).astimezone(UTC), moment, zone)


def _jump(before: datetime, after: datetime, zone: tzinfo) -> datetime:
    """The moment between the two at which the zone's offset changes, to the second."""
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
