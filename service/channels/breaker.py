"""When to leave a destination alone for a while: pure functions over what happened there.

A destination is a host that users' webhooks name, or the mail relay. After five failures in a row it gets
a pause of five minutes; if the one attempt after the pause fails too, the next is twice as long, up to an
hour. Other destinations go on meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.channels.base import ChannelError
from service.channels.schedule import is_doubtful

FAILURES_TO_OPEN = 5
FIRST_PAUSE = timedelta(minutes=5)
NO_TALK = frozenset({"timeout", "broken"})
"""A mail server that doesn't answer: nothing is known of the recipient then."""
LONGEST_PAUSE = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Breaker:
    """failures: in a row.  pause: the last one given.  open_until: None while it was never open."""

    failures: int = 0
    pause: timedelta = timedelta(0)
    opened_at: datetime | None = None
    open_until: datetime | None = None

    def is_open(self, now: datetime) -> bool:
        """Whether nothing is to be sent there now; not where the clock was set back since it opened."""
        if self.opened_at is None or self.open_until is None:
            return False
        return self.opened_at <= now < self.open_until

    @property
    def is_trying(self) -> bool:
        """Whether, once it isn't open any more, a single attempt shall show how things are."""
        return self.open_until is not None


CLOSED = Breaker()


def after_failure(breaker: Breaker, started_at: datetime, now: datetime) -> Breaker:
    """The breaker after one more failure of an attempt that began at `started_at`.

    Attempts already under way when it opened say nothing new and don't lengthen the pause.
    """
    if breaker.opened_at is not None and started_at <= breaker.opened_at <= now:
        return breaker
    failures = breaker.failures + 1
    if failures < FAILURES_TO_OPEN:
        return Breaker(failures, breaker.pause, breaker.opened_at, breaker.open_until)
    pause = min(LONGEST_PAUSE, breaker.pause * 2) if breaker.pause else FIRST_PAUSE
    return Breaker(failures, pause, now, now + pause)


def speaks_of_destination(kind: str, error: ChannelError) -> bool:
    """Whether the error is about the host as a whole, not about one message or address.

    Mail goes through one relay for everyone: only what keeps us from talking to it counts.
    """
    if kind == "email":
        return (error.ours and not error.permanent) or error.code in NO_TALK
    return not (error.permanent or error.ours or is_doubtful(error.code))
