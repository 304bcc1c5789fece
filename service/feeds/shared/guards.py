"""What stands between the client and a feed: its provider's allowance, and its breaker.

Allowances are data: windows of weight, and whether a provider wants one request at a time. Sources:
open-meteo.com/en/pricing (free: 600 a minute, 5,000 an hour, 10,000 a day; windows begin on the UTC minute,
hour, day), api.met.no/doc/TermsOfService (20 requests a second for all of an application). The NWS keeps its
limit to itself; five a second is our own choice. A share is left unused: servers count by their own clocks.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Protocol

from alerts.common.phrases import phrase
from alerts.weather.models import MET_NORWAY, NWS, OPEN_METEO
from service.common.backoff import Breaker, BreakerState, pause_number
from service.common.deadline import Deadline
from service.feeds.shared.checked_answers import (
    AllowanceSpent,
    FeedDown,
    FeedError,
    FeedRefused,
    FeedThrottled,
    NotAsked,
)

MINUTE_S, HOUR_S, DAY_S = 60, 3600, 86_400
USED_SHARE = 0.95

OPEN_METEO_ENSEMBLE = f"{OPEN_METEO}-ensemble"
OPEN_METEO_AIR = f"{OPEN_METEO}-air"
MET_NORWAY_WARNINGS = f"{MET_NORWAY}-warnings"
NWS_WARNINGS = f"{NWS}-warnings"

PROVIDERS: Mapping[str, str] = {
    OPEN_METEO_ENSEMBLE: OPEN_METEO,
    OPEN_METEO_AIR: OPEN_METEO,
    MET_NORWAY_WARNINGS: MET_NORWAY,
    NWS_WARNINGS: NWS,
}
"""Feeds that share another's allowance; each has a breaker of its own."""


@dataclass(frozen=True, slots=True)
class Allowance:
    """The most weight in each window by its length in seconds; one_at_a_time over all processes."""

    most: Mapping[int, float]
    one_at_a_time: bool = False


FREE_OPEN_METEO = Allowance({MINUTE_S: 600, HOUR_S: 5_000, DAY_S: 10_000}, one_at_a_time=True)
UNLIMITED_OPEN_METEO = Allowance({}, one_at_a_time=True)
ALLOWANCES: Mapping[str, Allowance] = {
    OPEN_METEO: FREE_OPEN_METEO,
    MET_NORWAY: Allowance({1: 20}),
    NWS: Allowance({1: 5}),
}


def provider_of(feed: str) -> str:
    """Whose allowance a feed's requests count against."""
    return PROVIDERS.get(feed, feed)


def window_start(now: datetime, unit_s: int) -> datetime:
    """The beginning of the UTC window of that length which contains `now`."""
    seconds = int(now.timestamp())
    return datetime.fromtimestamp(seconds - seconds % unit_s, UTC)


def wait_for(now: datetime, unit_s: int) -> timedelta:
    """How long until the window of that length is over."""
    return window_start(now, unit_s) + timedelta(seconds=unit_s) - now


FAILURES_ALLOWED = 3
THROTTLED_PAUSE, LONGEST_THROTTLE = timedelta(minutes=1), timedelta(days=1)
"""Where a feed throttles without saying for how long, and the longest that is believed."""
SHUT_OUT = frozenset({401, 403})


def after(breaker: Breaker, error: FeedError | None, now: datetime) -> Breaker:
    """The breaker once a request went well (None) or failed; the same object when nothing changes.

    An answer that can't be used, and a question the feed refuses as such, say nothing against asking.
    """
    if error is None:
        is_clean = breaker.state is BreakerState.CLOSED and breaker.failures == 0
        return breaker if is_clean else Breaker(since=now)
    if isinstance(error, AllowanceSpent | NotAsked):
        return breaker
    failed = replace(breaker, failures=breaker.failures + 1, reason=str(error))
    if isinstance(error, FeedRefused) and error.status in SHUT_OUT:
        return replace(failed, state=BreakerState.SHUT, since=now, retry_at=None)
    if isinstance(error, FeedThrottled):
        return failed.opened(now, min(error.retry_after or THROTTLED_PAUSE, LONGEST_THROTTLE))
    if not isinstance(error, FeedDown):
        return breaker
    if failed.failures < FAILURES_ALLOWED:
        return replace(failed, since=breaker.since or now)
    return failed.opened(now, pause_number(failed.failures - FAILURES_ALLOWED))


def refusal(breaker: Breaker, feed: str, now: datetime) -> FeedError | None:
    """Why the feed isn't asked at `now`; None when it is."""
    if breaker.state is BreakerState.SHUT:
        what = phrase("feeds.shut", feed=feed, since=breaker.since, reason=breaker.reason)
        return FeedRefused(what, status=403)
    if breaker.rests(now):
        return FeedDown(phrase("feeds.rests", feed=feed, until=breaker.retry_at, reason=breaker.reason))
    return None


def failing_for(breaker: Breaker) -> timedelta:
    """How long a feed has failed on end at least, by the pauses between so many failures and the one that
    runs."""
    if breaker.state is not BreakerState.OPEN or breaker.since is None or breaker.retry_at is None:
        return timedelta(0)
    passed = (pause_number(each) for each in range(max(0, breaker.failures - FAILURES_ALLOWED)))
    return sum(passed, breaker.retry_at - breaker.since)


@dataclass(frozen=True, slots=True)
class Spent:
    """What one provider was asked: requests sent, and their weight by its own count."""

    provider: str
    requests: int
    weight: float


class Guards(Protocol):
    """Called from several threads at once, for every feed by its name."""

    def refusal(self, feed: str) -> FeedError | None:
        """Why the feed isn't to be asked now; None when it is."""

    def turn(self, feed: str, weight: float, deadline: Deadline) -> AbstractContextManager[None]:
        """Hold while one request is sent. Waits for the allowance; raises AllowanceSpent where that takes
        longer than the deadline."""

    def note(self, feed: str, error: FeedError | None) -> None:
        """How a request went, with all its tries; None: well."""


class NoGuards:
    """For one question without a store behind it: nothing is counted and nobody is left alone."""

    def refusal(self, feed: str) -> FeedError | None:
        return None

    @contextmanager
    def turn(self, feed: str, weight: float, deadline: Deadline) -> Iterator[None]:
        yield

    def note(self, feed: str, error: FeedError | None) -> None:
        return None
