"""Words on pages: times with their zone, lengths, verdicts; and what templates may call on values."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from functools import cache, lru_cache
from types import MappingProxyType
from typing import Any

from markupsafe import Markup, escape

from alerts.briefing.text.obstacle_text import Page
from alerts.common.clock_times import clock_in
from alerts.common.phrases import PLAIN_READER, Phrase, Reader, find_entry, say
from alerts.common.span import Span
from alerts.common.text import month_name, sentence
from alerts.common.time_text import long_day, said_minutes, say_day, say_minutes, utc_text, whole_minutes
from alerts.sky.nights.season import Month
from alerts.weather.models import model_name, name_with_family
from service.accounts.receivers import shown


def headline(verdict: str) -> str:
    """What a verdict says to a person; that there is none yet for any other word."""
    return say("briefing.verdict", verdict=verdict)


@lru_cache(maxsize=20_000)  # a home page says hundreds, mostly the same as before
def dated_span(span: Span, zone: str, night: date | None, hours: int = 24) -> str:
    """`23:40–02:50 CEST`, with the morning's date where it begins after the midnight of that night.

    Where the clocks change in between, each time carries its zone. hours: of the clock, 24 or 12.
    """
    span = whole_minutes(span)
    clock = clock_in(zone, [span.start, span.end], hours)
    day = clock.day(span.start)
    lead = "" if night is None or day == night else f"{say_day(day)}, "
    said = f"{clock.time(span.start)}–{clock.time(span.end)}"
    return lead + (said if clock.marks_each else f"{said} {clock.zone_word(span.start)}")


def stamp(at: datetime, zone: str) -> str:
    """`Sat 3 July, 21:40 CEST`."""
    return clock_in(zone, [], 24).stamp(at)


def dated_time(at: datetime, zone: str, night: date, hours: int = 24) -> str:
    """`21:40 CEST`, with its day when that isn't the night's own evening."""
    clock = clock_in(zone, [], hours)
    return f"{clock.time(at)} {clock.zone_word(at)}" if clock.day(at) == night else clock.stamp(at)


def minutes_words(minutes: float) -> str:
    return say_minutes(timedelta(minutes=minutes))


def lasting(spans: Iterable[Span]) -> str:
    """`4 h 9 min`: all of them together, by the times that are said of them."""
    return minutes_words(said_minutes(*spans))


def utc_stamp(at: datetime) -> str:
    """`2027-07-03 17:07 UTC`."""
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def ago(at: datetime, now: datetime) -> str:
    """`12 min ago`, `3 h ago`, `2 days ago`."""
    minutes = max(0, round((now - at) / timedelta(minutes=1)))
    if minutes < 90:
        return say("web.minutes-ago", minutes=minutes)
    hours = round(minutes / 60)
    return say("web.hours-ago", hours=hours) if hours < 48 else say("web.days-ago", days=round(hours / 24))


def as_data(values: Mapping[str, object]) -> Markup:
    """What is said of a night as data attributes, times in UTC to the second; what is empty is left out."""
    said = []
    for name, value in values.items():
        if isinstance(value, Span):
            value = f"{utc_text(value.start)}/{utc_text(value.end)}"
        elif isinstance(value, datetime):
            value = utc_text(value)
        if value is not None and value != "":
            said.append(Markup('data-{}="{}"').format(name, value))
    return Markup(" ").join(said)


def clock_words(at: datetime, zone: str, hours: int = 24) -> str:
    """`23:40`, where the zone stands nearby."""
    return clock_in(zone, [], hours).time(at)


def month_words(month: Month) -> str:
    """`July 2027`."""
    return f"{month_name(month.month)} {month.year}"


def linked(what: Phrase) -> Markup:
    """A phrase in words, the pages among its values as links."""
    pages: list[Page] = []

    def marked(given: object) -> object:
        """The value with each page held by a character of the private use area, which nothing else is."""
        if isinstance(given, Page):
            pages.append(given)
            return chr(0xE000 + len(pages) - 1)
        if isinstance(given, Phrase):
            return Phrase(given.key, tuple((name, marked(each)) for name, each in given.values))
        return tuple(map(marked, given)) if isinstance(given, tuple) else given

    words = escape(str(marked(what)))
    for number, page in enumerate(pages):
        words = words.replace(chr(0xE000 + number), Markup('<a href="{0}">{0}</a>').format(page))
    return words


@cache
def _fixed_words(key: str, language: str) -> Markup:
    """A sentence without values, as most of a page's are, made safe once."""
    return Markup(_safe(say(key, Reader(language=language))))


def _safe(words: str) -> str:
    return words.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&#34;")


def say_on_page(key: str, reader: Reader = PLAIN_READER, /, **values: object) -> Markup:
    """`say` for templates: the entry as it stands, a text among its values escaped unless it is Markup."""
    if not values:
        return _fixed_words(key, reader.language)
    entry = find_entry(key, reader.language)
    by = str(entry["by"]) if isinstance(entry, Mapping) else ""
    texts = [(name, each) for name, each in values.items() if isinstance(each, str) and name != by]
    # Each text is held by a character of the private use area until what stands round it is safe.
    marks = {name: chr(0xE000 + number) for number, (name, _) in enumerate(texts)}
    words = _safe(say(key, reader, **(values | marks)))
    for name, text in texts:
        words = words.replace(marks[name], escape(text))
    return Markup(words)  # every part was escaped above


FILTERS: Mapping[str, Callable[..., Any]] = MappingProxyType(
    {
        "headline": headline,
        "long_day": long_day,
        "short_day": say_day,
        "dated_span": dated_span,
        "dated_time": dated_time,
        "stamp": stamp,
        "lasting": lasting,
        "minutes_words": minutes_words,
        "utc_stamp": utc_stamp,
        "model_name": model_name,
        "name_with_family": name_with_family,
        "sentence": lambda words: sentence(str(words)),
        "month_words": month_words,
        "clock": clock_words,
        "linked": linked,
        "shown": shown,
    }
)
