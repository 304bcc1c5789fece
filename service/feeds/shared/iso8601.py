"""Times and durations as feeds write them: ISO 8601, as in RFC 3339 and its appendix A."""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import UTC, datetime, timedelta
from functools import lru_cache

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
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(f"{text!r} has no offset from UTC")
    return require_our_age(at).astimezone(UTC)


def require_our_age(at: datetime) -> datetime:
    """`at` if it lies in 1900 to 2199, where half a step to each side is in the calendar too."""
    if not 1900 <= at.year < 2200:
        raise ValueError(f"{at:%Y-%m-%d} is no day of a forecast")
    return at


def after_duration(start: datetime, text: str) -> datetime:
    """`start` plus an ISO 8601 duration (`PT3H`, `P1DT18H`, `PT5H30M`, `P1W`, `P1M`).

    Years and months go by the calendar and end on the last day of a shorter month; days are 24 hours,
    as all times here are UTC. ValueError for anything else.
    """
    months, rest = _read_duration(text)
    try:
        return _add_months(start, months) + rest
    except OverflowError as error:
        raise ValueError(f"{text!r} leads outside the calendar") from error


@lru_cache(maxsize=1024)
def _read_duration(text: str) -> tuple[int, timedelta]:
    """Months, and the rest. An answer holds few different ones, a thousand times over."""
    match = _DURATION.fullmatch(text)
    if match is None or not any(match.groups()) or text.endswith("T"):
        raise ValueError(f"{text!r} is no ISO 8601 duration")
    years, months = (int(part or 0) for part in match.groups()[:2])
    weeks, days, hours, minutes, seconds = (_decimal(part) for part in match.groups()[2:])
    try:
        rest = timedelta(weeks=weeks, days=days, hours=hours, minutes=minutes, seconds=seconds)
    except OverflowError as error:
        raise ValueError(f"{text!r} leads outside the calendar") from error
    return 12 * years + months, rest


def _decimal(part: str | None) -> float:
    return float((part or "0").replace(",", "."))


def _add_months(start: datetime, months: int) -> datetime:
    if not months:
        return start
    year, month0 = divmod(start.year * 12 + start.month - 1 + months, 12)
    if year > 9999:
        raise ValueError("a duration leads outside the calendar")
    day = min(start.day, monthrange(year, month0 + 1)[1])
    return start.replace(year=year, month=month0 + 1, day=day)


@lru_cache(maxsize=4096)
def parse_interval(text: str) -> Span:
    """The half-open span of `start/duration`; ValueError when it isn't one or lasts no time.

    Remembered, as an answer's layers are cut into the same intervals.
    """
    start_text, slash, duration = text.partition("/")
    if not slash:
        raise ValueError(f"{text!r} is no start/duration")
    start = parse_instant(start_text)
    return Span(start, after_duration(start, duration))
