"""From a feed's own time marks to the spans that records stand for.

Instant values (cloud, wind, temperature) stand for half a step to each side of their time, and never
for more, so that a hole in a series stays unknown. Period values (gust, precipitation, its chance)
belong to the hour or hours that the feed names; a record takes the highest chance or gust of the
periods that touch it, and each period's share by time of an amount.
"""

from __future__ import annotations

import re
from calendar import monthrange
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache

from alerts.common.phrases import phrase
from alerts.common.span import Span

_NUMBER = r"(\d{1,9}(?:[.,]\d{1,9})?)"
_DURATION = re.compile(
    rf"P(?:(\d{{1,4}})Y)?(?:(\d{{1,4}})M)?(?:{_NUMBER}W)?(?:{_NUMBER}D)?"
    rf"(?:T(?:{_NUMBER}H)?(?:{_NUMBER}M)?(?:{_NUMBER}S)?)?"
)


@lru_cache(maxsize=4096)
def parse_instant(text: str) -> datetime:
    """The UTC time of `2026-10-09T12:00:00Z` or one with a numeric offset; ValueError for all else.

    A time without an offset is refused: nobody could say when it is. Remembered, as answers about many
    places name the same hours.
    """
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise ValueError(phrase("feeds.no-instant", text=text[:60])) from error
    if at.tzinfo is None:
        raise ValueError(phrase("feeds.no-offset", text=text[:60]))
    return require_our_age(at).astimezone(UTC)


def require_our_age(at: datetime) -> datetime:
    """`at` if it lies in 1900 to 2199, where half a step to each side is in the calendar too."""
    if not 1900 <= at.year < 2200:
        raise ValueError(phrase("feeds.not-our-age", at=at))
    return at


def after_duration(start: datetime, text: str) -> datetime:
    """`start` plus an ISO 8601 duration (`PT3H`, `P1DT18H`, `PT5H30M`, `P1W`, `P1M`).

    Years and months go by the calendar and end on the last day of a shorter month; days are 24 hours,
    as all times here are UTC. ValueError for anything else.
    """
    months, rest = _read_duration(text)
    outside = phrase("feeds.outside-calendar", text=text[:60])
    year, month0 = divmod(start.year * 12 + start.month - 1 + months, 12)
    if year > 9999:
        raise ValueError(outside)
    if months:
        day = min(start.day, monthrange(year, month0 + 1)[1])
        start = start.replace(year=year, month=month0 + 1, day=day)
    try:
        return start + rest
    except OverflowError as error:
        raise ValueError(outside) from error


@lru_cache(maxsize=1024)
def _read_duration(text: str) -> tuple[int, timedelta]:
    """Months, and the rest. An answer holds few different ones, a thousand times over."""
    match = _DURATION.fullmatch(text)
    if match is None or not any(match.groups()) or text.endswith("T"):
        raise ValueError(phrase("feeds.no-duration", text=text[:60]))
    years, months = (int(part or 0) for part in match.groups()[:2])
    weeks, days, hours, minutes, seconds = (
        float((part or "0").replace(",", ".")) for part in match.groups()[2:]
    )
    try:
        rest = timedelta(weeks=weeks, days=days, hours=hours, minutes=minutes, seconds=seconds)
    except OverflowError as error:
        raise ValueError(phrase("feeds.outside-calendar", text=text[:60])) from error
    return 12 * years + months, rest


@lru_cache(maxsize=4096)
def parse_interval(text: str) -> Span:
    """The half-open span of `start/duration`; ValueError when it isn't one or lasts no time.

    Remembered, as an answer's layers are cut into the same intervals.
    """
    start_text, slash, duration = text.partition("/")
    if not slash:
        raise ValueError(phrase("feeds.no-interval", text=text[:60]))
    start = parse_instant(start_text)
    return Span(start, after_duration(start, duration))


HOUR = timedelta(hours=1)


def instant_spans(times: Sequence[datetime], steps: Sequence[timedelta]) -> list[Span]:
    """The span each instant stands for: half its own step ahead, half its predecessor's step back.

    times: strictly rising. steps: same length; the time from each instant to the next one due. Where
    the next comes sooner, the two meet halfway; where it comes later, the hole between stays open.
    The first instant reaches back as far as ahead.
    """
    ahead = [
        min(step, later - at) / 2
        for at, later, step in zip(times, [*times[1:], None], steps, strict=True)
        if later is not None
    ]
    ahead.append(steps[-1] / 2)
    back = [ahead[0]] + [
        min(half, (later - at) / 2) for half, at, later in zip(ahead, times, times[1:], strict=False)
    ]
    return [Span(at - before, at + after) for at, before, after in zip(times, back, ahead, strict=True)]


def over_periods(
    records: Iterable[Span],
    periods: Sequence[Span],
    values: Sequence[float | None],
    *,
    is_amount: bool = False,
) -> list[float | None]:
    """What values that belong to periods come to in each record: the highest of the periods that touch it, or
    each one's amount shared out by time. None unless periods whose value is known cover all of it.

    records, periods: ascending, not overlapping. values: one a period, None unknown.
    """
    known = [(period, value) for period, value in zip(periods, values, strict=True) if value is not None]
    found: list[float | None] = []
    first = 0
    for record in records:
        start, end = record.start, record.end
        while first < len(known) and known[first][0].end <= start:
            first += 1
        if first < len(known) and not is_amount:  # that period holds the whole record, as most do
            period, value = known[first]
            if period.start <= start and end <= period.end:
                found.append(value)
                continue
        at, covered, told = first, timedelta(), list[float]()
        while at < len(known) and (period := known[at][0]).start < end:
            shared, value = min(period.end, end) - max(period.start, start), known[at][1]
            covered += shared
            told.append(value * (shared / (period.end - period.start)) if is_amount else value)
            at += 1
        if covered != end - start:
            found.append(None)
        else:
            found.append(sum(told) if is_amount else max(told))
    return found
