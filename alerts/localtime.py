"""Times as people read them: a site's clock, with the weekday and the zone."""

from __future__ import annotations

from datetime import date, datetime, timedelta, tzinfo

from alerts.span import Span

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def say_time(at: datetime, zone: tzinfo) -> str:
    """`Wed 22:23 EDT`: that moment on the zone's clock, to the minute."""
    local = _to_the_minute(at).astimezone(zone)
    return f"{WEEKDAYS[local.weekday()]} {local:%H:%M} {zone_word(local)}"


def say_clock(at: datetime, zone: tzinfo) -> str:
    """`22:23`: that moment on the zone's clock, to the minute, where the day and zone stand nearby."""
    return f"{_to_the_minute(at).astimezone(zone):%H:%M}"


def say_when(at: datetime, now: datetime, zone: tzinfo) -> str:
    """`at 17:53 EDT`, and on another day than `now`'s `on Wed 15 July at 17:53 EDT`."""
    local = _to_the_minute(at).astimezone(zone)
    time = f"at {local:%H:%M} {zone_word(local)}"
    return time if local.date() == now.astimezone(zone).date() else f"on {say_day(local.date())} {time}"


def say_span(span: Span, zone: tzinfo) -> str:
    """`Wed 22:23–01:36 EDT`; both zone words when the clock changes in between."""
    start, end = (_to_the_minute(at).astimezone(zone) for at in (span.start, span.end))
    before = "" if zone_word(start) == zone_word(end) else f" {zone_word(start)}"
    return f"{WEEKDAYS[start.weekday()]} {start:%H:%M}{before}–{end:%H:%M} {zone_word(end)}"


def say_day(day: date) -> str:
    """`Wed 15 July`."""
    return f"{WEEKDAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}"


def say_minutes(length: timedelta) -> str:
    """`34 min`, `2 h`, `2 h 10 min`: to the nearest minute."""
    minutes = round(length / timedelta(minutes=1))
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def zone_word(local: datetime) -> str:
    """`EDT`; `UTC+5:30` where the zone has no letters of its own."""
    name = local.tzname() or ""
    if name[:1].isalpha():
        return name
    offset = local.utcoffset() or timedelta(0)
    hours, minutes = divmod(abs(offset) // timedelta(minutes=1), 60)
    sign = "−" if offset < timedelta(0) else "+"
    return f"UTC{sign}{hours}" + (f":{minutes:02}" if minutes else "")


def _to_the_minute(at: datetime) -> datetime:
    return (at + timedelta(seconds=30)).replace(second=0, microsecond=0)
