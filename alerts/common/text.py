"""Small words: times, days, directions, lengths, and text made safe to show.

English names are spelled out here, so that no machine's locale changes a message.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from alerts.common.clock_times import zone_info
from alerts.common.span import Span
from alerts.common.time_text import minute_down, say_12_hours, whole_minutes

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
POINTS = (
    "north", "north-north-east", "north-east", "east-north-east",
    "east", "east-south-east", "south-east", "south-south-east",
    "south", "south-south-west", "south-west", "west-south-west",
    "west", "west-north-west", "north-west", "north-north-west",
)  # fmt: skip
COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
LONGEST_NAME = 80
LONGEST_SENTENCE = 300
JOINER = "\u200d"
BREAK = "\u200b"  # zero width space


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
        local = _local_minute(self.zone, at)
        on_24 = f"{local.hour:02}:{local.minute:02}"
        shown = on_24 if self.hours == 24 else say_12_hours(local.hour, local.minute)
        return f"{shown} {self.zone_word(at)}" if self.marks_each else shown

    def day(self, at: datetime) -> date:
        return _local_minute(self.zone, at).date()

    def stamp(self, at: datetime) -> str:
        """`Sat 18 July, 19:40 CEST`."""
        zone = "" if self.marks_each else f" {self.zone_word(at)}"
        return f"{short_day(self.day(at))}, {self.time(at)}{zone}"

    def span(self, span: Span) -> str:
        """`Sat 18 July, 23:20 to Sun 19 July, 01:50 CEST`, the day said again when it differs."""
        span = whole_minutes(span)
        first, last = self.day(span.start), self.day(span.end)
        end = self.stamp(span.end) if first != last else self.stamp(span.end).partition(", ")[2]
        return f"{short_day(first)}, {self.time(span.start)} to {end}"

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


def long_day(day: date) -> str:
    """`Saturday 18 July`."""
    return f"{WEEKDAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}"


def short_day(day: date) -> str:
    """`Sat 18 July`."""
    return f"{WEEKDAYS[day.weekday()][:3]} {day.day} {MONTHS[day.month - 1]}"


def direction_word(azimuth_deg: float, points: int = 16) -> str:
    """The nearest of 16 (or 8) compass directions; azimuth from north through east."""
    nearest = round(azimuth_deg / (360 / points)) % points
    return POINTS[nearest * 16 // points]


def length(span: timedelta) -> str:
    """`2 h 30 min`, `45 min`, `3 h`."""
    hours, minutes = divmod(round(span.total_seconds() / 60), 60)
    return (
        " ".join(part for part in (f"{hours} h" * bool(hours), f"{minutes} min" * bool(minutes)) if part)
        or "0 min"
    )


def clear_words(wished: timedelta) -> str:
    """`two clear hours`, `one clear hour`, `90 clear minutes`."""
    minutes = round(wished.total_seconds() / 60)
    if minutes % 60 or not 60 <= minutes <= 600:
        return f"{minutes} clear minutes"
    hours = minutes // 60
    return f"{COUNTS[hours]} clear hour{'s' if hours > 1 else ''}"


def count_word(count: int) -> str:
    """`three`, or the figures beyond ten."""
    return COUNTS[count] if 0 <= count < len(COUNTS) else str(count)


def article(figure: str) -> str:
    """`a` or `an`, as the figure is spoken: an 8, an 11, an 18, an 85; a 20."""
    return "an" if figure.startswith("8") or figure.partition(".")[0] in ("11", "18") else "a"


def listed(items: Sequence[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    return " and ".join(filter(None, (", ".join(items[:-1]), items[-1]))) if items else ""


def capital(text: str) -> str:
    """The text with its first letter large."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """A clause made a sentence: large first letter, full stop."""
    return capital(text) if not text or text[-1] in ".?" else capital(text) + "."


def plain(text: str, longest: int = LONGEST_SENTENCE) -> str:
    """One line of visible text: NFC, spaces in place of line breaks, no control, bidirectional or
    invisible characters, shortened with an ellipsis."""
    if text.isascii() and text.isprintable():  # most texts: nothing in it to normalise or to drop
        return shorten((re.sub(r" {2,}", " ", text) if "  " in text else text).strip(), longest)
    spaced = re.sub(r"\s+", " ", unicodedata.normalize("NFC", text)).strip()
    shown = (c for c in spaced if c == JOINER or unicodedata.category(c) not in {"Cc", "Cf", "Cs", "Co"})
    return shorten("".join(shown), longest)


def shorten(text: str, room: int) -> str:
    """At most `room` characters, cut at a character that stands by itself and marked with an ellipsis."""
    if len(text) <= room:
        return text
    cut = max(room - 1, 0)
    while cut > 1 and (unicodedata.combining(text[cut]) or JOINER in text[cut - 1 : cut + 1]):
        cut -= 1
    return text[:cut].rstrip() + "…" if room > 0 else ""


def unmentioned(text: str) -> str:
    """Text from a person for a group chat: nothing in it calls the group or hides a link.

    A zero width space after @ and <, before the address of a Markdown link and inside :// looks the
    same and means nothing to a chat server.
    """
    broken = text.replace("@", f"@{BREAK}").replace("<", f"<{BREAK}")
    return broken.replace("](", f"]{BREAK}(").replace("://", f":{BREAK}//")
