"""A feed's breaker: when it is left alone after failures, and for how long. Pure.

closed: it is asked. open: left alone until a moment, then tried again. shut: it has refused us (401, 403),
which asking again makes worse; only an operator closes that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from service.feeds.shared.feed_errors import (
    AllowanceSpent,
    FeedDown,
    FeedError,
    FeedRefused,
    FeedThrottled,
    NotAsked,
)

FAILURES_ALLOWED = 3
FIRST_PAUSE, LONGEST_PAUSE = timedelta(minutes=5), timedelta(hours=1)
THROTTLED_PAUSE = timedelta(minutes=1)
"""Where a feed throttles without saying for how long."""
SHUT_OUT = frozenset({401, 403})


class State(StrEnum):
    CLOSED = "closed"
    OPEN = "open"
    SHUT = "shut"


@dataclass(frozen=True, slots=True)
class Breaker:
    """failures: requests that failed on end. since: when this state began, None while nothing happened."""

    state: State = State.CLOSED
    failures: int = 0
    since: datetime | None = None
    retry_at: datetime | None = None
    reason: str = ""


def after(breaker: Breaker, error: FeedError | None, now: datetime) -> Breaker:
    """The breaker once a request went well (None) or failed; the same object when nothing changes.

    An answer that can't be used, and a question the feed refuses as such, say nothing against asking.
    """
    if error is None:
        return breaker if _is_clean(breaker) else Breaker(since=now)
    if isinstance(error, AllowanceSpent | NotAsked):
        return breaker
    if isinstance(error, FeedRefused) and error.status in SHUT_OUT:
        return Breaker(State.SHUT, breaker.failures + 1, now, None, str(error))
    if isinstance(error, FeedThrottled):
        wait = error.retry_after or THROTTLED_PAUSE
        return Breaker(State.OPEN, breaker.failures + 1, now, now + min(wait, timedelta(days=1)), str(error))
    if isinstance(error, FeedDown):
        return _failed(replace(breaker, failures=breaker.failures + 1, reason=str(error)), now)
    return breaker


def _is_clean(breaker: Breaker) -> bool:
    return breaker.state is State.CLOSED and breaker.failures == 0


def _failed(breaker: Breaker, now: datetime) -> Breaker:
    if breaker.failures < FAILURES_ALLOWED:
        return replace(breaker, since=breaker.since or now)
    doublings = min(breaker.failures - FAILURES_ALLOWED, 8)
    pause = min(LONGEST_PAUSE, FIRST_PAUSE * 2**doublings)
    return replace(breaker, state=State.OPEN, since=now, retry_at=now + pause)


def refusal(breaker: Breaker, feed: str, now: datetime) -> FeedError | None:
    """Why the feed isn't asked at `now`; None when it is. An open one lets a try pass once its time is up, or
    when the clock was set back since it opened."""
    if breaker.state is State.SHUT:
        return FeedRefused(
            f"{feed} has refused us since {_stamp(breaker.since)}: {breaker.reason} Mend that, then run: "
            f"duskbell feeds close {feed}",
            status=403,
        )
    opened_at = breaker.since or now
    if breaker.state is State.OPEN and breaker.retry_at is not None and opened_at <= now < breaker.retry_at:
        return FeedDown(f"{feed} is left alone until {_stamp(breaker.retry_at)}: {breaker.reason}")
    return None


def failing_for(breaker: Breaker) -> timedelta:
    """How long a feed has failed on end at least, by the pauses between so many failures and the one that
    runs."""
    if breaker.state is not State.OPEN or breaker.since is None or breaker.retry_at is None:
        return timedelta(0)
    doublings = range(max(0, breaker.failures - FAILURES_ALLOWED))
    passed = (min(LONGEST_PAUSE, FIRST_PAUSE * 2 ** min(each, 8)) for each in doublings)
    return sum(passed, breaker.retry_at - breaker.since)


def _stamp(at: datetime | None) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC" if at else "an unknown time"
