"""Times as people read them: a site's clock, with the weekday and the zone; and the one rounding of them.

A time is said as a clock on the wall shows it then: its seconds are cut off. So one leaves a little early,
never late. What opens or begins is said by the next whole minute, so that no minute is promised that isn't
there; Sun and Moon, which nobody has to meet, by the nearest. The nearest for all made one leave half a
minute late. JSON has seconds; rounding those comes to the same minutes.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo

from alerts.common.name_tables import LANGUAGE, name_of
from alerts.common.span import Span

MINUTE = timedelta(minutes=1)


def minute_down(at: datetime) -> datetime:
    """The minute that a clock shows at that moment: for leaving, deciding, and all that ends."""
    return at.replace(second=0, microsecond=0)


def minute_up(at: datetime) -> datetime:
    """The first whole minute not before that moment, to the second: for what opens or begins."""
    down = at.replace(second=0, microsecond=0)
    return down if at.second == 0 else down + MINUTE


def nearest_minute(at: datetime) -> datetime:
    """As almanacs round: for the Sun and the Moon."""
    return minute_down(at + MINUTE / 2)


def whole_minutes(span: Span) -> Span:
    """The part of a span that whole minutes fill; all of it where they fill none."""
    start, end = minute_up(span.start), minute_down(span.end)
    return Span(start, end) if start < end else span


def said_minutes(*spans: Span) -> float:
    """How many minutes they last by the times that are said of them."""
    return sum(whole_minutes(span).minutes for span in spans)


def say_lasting(span: Span) -> str:
    """`4 h 9 min`: how long it lasts by the times that are said of it."""
    return say_minutes(whole_minutes(span).duration)


def utc_text(at: datetime | None) -> str | None:
    """The time to the second, as a clock shows it: `2026-07-15T21:32:05Z`; None stays None."""
    if at is None:
        return None
    return at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="seconds") + "Z"


def span_json(span: Span) -> dict[str, str | None]:
    """A span's `{start, end}` as JSON has times."""
    return {"start": utc_text(span.start), "end": utc_text(span.end)}


def say_time(at: datetime, zone: tzinfo, hours: int = 24, language: str = LANGUAGE) -> str:
    """`Wed 22:23 EDT`: that moment on the zone's clock of 24 or 12 hours, to the minute."""
    local = minute_down(at).astimezone(zone)
    return f"{_weekday(local, language)} {face(local, hours)} {zone_word(local)}"


def say_clock(at: datetime, zone: tzinfo, hours: int = 24) -> str:
    """`22:23`: that moment on the zone's clock, to the minute, where the day and zone stand nearby."""
    return face(minute_down(at).astimezone(zone), hours)


def say_hour(at: datetime, zone: tzinfo, hours: int = 24) -> str:
    """`22:23 EDT`: as `say_clock`, with the zone."""
    local = minute_down(at).astimezone(zone)
    return f"{face(local, hours)} {zone_word(local)}"


def say_span(span: Span, zone: tzinfo, hours: int = 24, language: str = LANGUAGE) -> str:
    """`Wed 22:23–01:36 EDT`; both zone words when the clock changes in between."""
    whole = whole_minutes(span)
    start, end = whole.start.astimezone(zone), whole.end.astimezone(zone)
    word, word_then = zone_word(start), zone_word(end)
    before = "" if word == word_then else f" {word}"
    return f"{_weekday(start, language)} {face(start, hours)}{before}–{face(end, hours)} {word_then}"


def say_day(day: date, language: str = LANGUAGE) -> str:
    """`Wed 15 July`."""
    return f"{_weekday(day, language)} {day.day} {name_of('month', day.month, language)}"


def long_day(day: date, language: str = LANGUAGE) -> str:
    """`Wednesday 15 July`."""
    weekday = name_of("weekday", day.weekday(), language)
    return f"{weekday} {day.day} {name_of('month', day.month, language)}"


def _weekday(day: date, language: str) -> str:
    return name_of("weekday-short", day.weekday(), language)


def say_minutes(length: timedelta) -> str:
    """`34 min`, `2 h`, `2 h 10 min`, `−1 h`: to the nearest minute."""
    minutes = round(length / timedelta(minutes=1))
    hours, rest = divmod(abs(minutes), 60)
    said = (f"{hours} h {rest} min" if rest else f"{hours} h") if hours else f"{rest} min"
    return f"−{said}" if minutes < 0 else said


def zone_word(local: datetime) -> str:
    """`EDT`; `UTC+5:30` where the zone has no letters of its own."""
    name = local.tzname() or ""
    if name[:1].isalpha():
        return name
    offset = local.utcoffset() or timedelta(0)
    hours, minutes = divmod(abs(offset) // timedelta(minutes=1), 60)
    sign = "−" if offset < timedelta(0) else "+"
    return f"UTC{sign}{hours}" + (f":{minutes:02}" if minutes else "")


def face(local: datetime | time, hours: int) -> str:
    """`22:23`, or `10:23 pm` on a clock of 12 hours."""
    return f"{local.hour:02}:{local.minute:02}" if hours == 24 else say_12_hours(local.hour, local.minute)


def say_12_hours(hour: int, minute: int) -> str:
    """`11:20 pm`; midnight is 12:00 am."""
    return f"{hour % 12 or 12}:{minute:02d} {'am' if hour < 12 else 'pm'}"
