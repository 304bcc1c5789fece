"""When to leave an address or a destination alone for a while: pure functions over what happened there.

A destination is a host that users' webhooks name, or the mail relay. Anybody can give addresses that fail at
a host that others use too, so failures count against the address first: after five in a row it gets a pause
of five minutes, then twice as long each time, up to an hour. The host gets one when several addresses
failed in a row and none succeeded in between, and even then an address that hasn't failed of late is
tried, one at a time, so that nobody silences another. A relay that doesn't talk to us rests for everybody.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from service.channels.model import ChannelError
from service.channels.retry_schedule import is_doubtful

FAILURES_TO_OPEN = 5
ADDRESSES_TO_OPEN = 3
"""So many addresses must have failed before their host is suspected; one or two speak for themselves."""
FIRST_PAUSE = timedelta(minutes=5)
NO_TALK = frozenset({"timeout", "broken"})
"""A mail server that doesn't answer: nothing is known of the recipient then."""
LONGEST_PAUSE = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Breaker:
    """failures: in a row.  pause: the last one given.  open_until: None while it was never open.
    addresses: the first few that failed; none where the failures were about the destination as such.
    """

    failures: int = 0
    pause: timedelta = timedelta(0)
    opened_at: datetime | None = None
    open_until: datetime | None = None
    addresses: tuple[int, ...] = ()

    def is_open(self, now: datetime) -> bool:
        """Whether it rests now; not where the clock was set back since it opened."""
        if self.opened_at is None or self.open_until is None:
            return False
        return self.opened_at <= now < self.open_until

    @property
    def is_trying(self) -> bool:
        """Whether, once it isn't open any more, a single attempt shall show how things are."""
        return self.open_until is not None

    @property
    def spares_clean(self) -> bool:
        """Whether addresses that haven't failed of late are tried all the same."""
        return bool(self.addresses)


CLOSED = Breaker()


def after_failure(
    breaker: Breaker, started_at: datetime, now: datetime, address_id: int | None = None
) -> Breaker:
    """The breaker after one more failure of an attempt that began at `started_at`.

    address_id: what failed; None where it was the destination as such.
    Attempts that were under way when it opened, or begun while it rests, don't lengthen the pause.
    """
    if breaker.opened_at is not None and started_at <= breaker.opened_at <= now:
        return breaker
    failures = breaker.failures + 1
    addresses = _with_address(breaker.addresses, address_id)
    counted = replace(breaker, failures=failures, addresses=addresses)
    is_suspect = address_id is None or len(addresses) >= ADDRESSES_TO_OPEN
    if failures < FAILURES_TO_OPEN or not is_suspect or (breaker.is_open(now) and breaker.spares_clean):
        return counted
    pause = min(LONGEST_PAUSE, breaker.pause * 2) if breaker.pause else FIRST_PAUSE
    return Breaker(failures, pause, now, now + pause, addresses)


def _with_address(addresses: tuple[int, ...], address_id: int | None) -> tuple[int, ...]:
    if address_id is None:
        return ()
    return addresses if address_id in addresses else (*addresses, address_id)[:ADDRESSES_TO_OPEN]


def rests_alone(failures: int, last_failure_at: datetime | None, now: datetime) -> bool:
    """Whether an address that failed so often in a row is left alone now, whatever its host does."""
    if failures < FAILURES_TO_OPEN or last_failure_at is None:
        return False
    doublings = min(failures - FAILURES_TO_OPEN, 8)
    return last_failure_at <= now < last_failure_at + min(LONGEST_PAUSE, FIRST_PAUSE * (1 << doublings))


def speaks_of_destination(kind: str, error: ChannelError) -> bool:
    """Whether the error says something of the host, not of one message or address alone.

    Mail goes through one relay for everyone: only what keeps us from talking to it, or us from being heard,
    counts.
    """
    if kind == "email":
        return (error.ours and not error.permanent) or error.refuses_us or error.code in NO_TALK
    return not (error.permanent or error.ours or is_doubtful(error.code))


def speaks_of_all(kind: str, error: ChannelError) -> bool:
    """Whether it would have met any address there: the relay let nobody in. What happens once a recipient
    was named, a silence too, may be that recipient's doing."""
    return kind == "email" and error.ours
