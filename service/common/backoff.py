"""When somebody who failed is asked again: feeds, receivers and the mail relay alike. Pure.

A breaker is closed: they are asked. Open: left alone until a moment, then tried. Shut: they have refused us
for who we are, which asking again makes worse; only an operator closes that. What counts as a failure, and
how many are borne, differs (service/feeds/shared/guards.py, service/channels/retry_policy.py); the pauses
don't.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from enum import StrEnum

FIRST_PAUSE, LONGEST_PAUSE = timedelta(minutes=5), timedelta(hours=1)


class BreakerState(StrEnum):
    CLOSED = "closed"
    OPEN = "open"
    SHUT = "shut"


@dataclass(frozen=True, slots=True)
class Breaker:
    """One feed's or destination's state.

    failures: on end. since: when this state began, None while nothing happened.
    reason: of the last failure, a sentence or a code. pause: the last one given.
    suspects: ids of the first few addresses that failed there; none where it failed as such.
    """

    state: BreakerState = BreakerState.CLOSED
    failures: int = 0
    since: datetime | None = None
    retry_at: datetime | None = None
    reason: str = ""
    pause: timedelta = timedelta(0)
    suspects: tuple[int, ...] = ()

    def rests(self, now: datetime) -> bool:
        """Whether it is open and its time not up; a clock that was set back since it opened ends that too."""
        is_open = self.state is BreakerState.OPEN and self.retry_at is not None
        return is_open and (self.since or now) <= now < (self.retry_at or now)

    @property
    def is_trying(self) -> bool:
        """Whether, once it rests no more, a single attempt shall show how things are."""
        return self.state is BreakerState.OPEN

    def opened(self, now: datetime, pause: timedelta) -> Breaker:
        """Left alone from now on for that long."""
        return replace(self, state=BreakerState.OPEN, since=now, retry_at=now + pause, pause=pause)


CLOSED = Breaker()


def pause_number(times: int) -> timedelta:
    """The pause after opening so often on end before: twice as long each time, up to an hour."""
    return min(LONGEST_PAUSE, FIRST_PAUSE * (1 << min(times, 8)))


def pause_after(last: timedelta) -> timedelta:
    """The pause that follows that one; zero: the first."""
    return min(LONGEST_PAUSE, last * 2) if last else FIRST_PAUSE


def read_retry_after(value: str | None, now: datetime) -> timedelta | None:
    """How long a `Retry-After` asks to wait: seconds or an HTTP date (RFC 9110, 10.2.3), from `now`.

    None when it is absent or nonsense. A date without a zone is in UTC, as its obsolete forms are (5.6.7).
    """
    if value is None:
        return None
    if re.fullmatch(r"\d{1,9}", value.strip()):
        return timedelta(seconds=int(value))
    try:
        until = parsedate_to_datetime(value)
    except ValueError:
        return None
    return max(timedelta(0), (until if until.tzinfo else until.replace(tzinfo=UTC)) - now)
