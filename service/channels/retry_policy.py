"""What a failed attempt leads to: when the message is tried again, and whom it speaks against. Pure.

The waits are short at first because an alert is worth something for hours only. Mail starts slower:
a greylisting relay usually lets a message through after five to fifteen minutes.

A destination is a host that users' webhooks name, or the mail relay. Anybody can give addresses that fail at
a host that others use too, so failures count against the address first: after five in a row it gets a pause.
The host gets one when several addresses failed in a row and none succeeded in between, and even then an
address that hasn't failed of late is tried, one at a time, so that nobody silences another. A relay that
doesn't talk to us rests for everybody.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from types import MappingProxyType

from service.channels.model import ChannelError
from service.common.backoff import Breaker, pause_after, pause_number

WAITS_S = MappingProxyType(
    {
        "webhook": (10, 60, 300, 900, 1800, 3600, 7200),
        "email": (120, 420, 900, 1800, 3600, 7200),
    }
)
"""Seconds from a failed attempt to the next, by channel; the last one repeats."""

JITTER = 0.2
"""Largest part of a wait that the jitter adds or takes, so that many failures don't return at once."""

FAILURES_TO_OPEN = 5
ADDRESSES_TO_OPEN = 3
"""So many addresses must have failed before their host is suspected; one or two speak for themselves."""

NO_TALK = frozenset({"timeout", "broken"})
"""A mail server that doesn't answer: nothing is known of the recipient then."""

DOUBTFUL_ATTEMPTS = 3
"""Attempts in all where the receiver says that the request itself is wrong (other 4xx)."""

PASSING_4XX = frozenset({"408", "409", "425", "429"})
"""HTTP 4xx that speak of the moment, not of the request (RFC 9110, RFC 6585, RFC 8470)."""


@dataclass(frozen=True, slots=True)
class FailedAttempt:
    """One that wasn't taken.

    kind: "email" or "webhook".  number: of attempts so far, this one included (1 after the first).
    maybe_sent_before: an earlier attempt already may have arrived.
    """

    kind: str
    number: int
    at: datetime
    error: ChannelError
    maybe_sent_before: bool = False


def next_attempt(failed: FailedAttempt, expires_at: datetime, jitter: float) -> datetime | None:
    """When the next attempt is due, or None when there is none.

    jitter: -1..1, drawn by the caller.  A Retry-After counts between the planned wait and twice that.
    A mail that may have arrived is tried once more, not oftener; a webhook's receiver drops repeats by its
    id, so it is tried on.
    """
    kind, error = failed.kind, failed.error
    if error.permanent or error.gone:
        return None
    if kind == "webhook" and is_doubtful(error.code) and failed.number >= DOUBTFUL_ATTEMPTS:
        return None
    if kind == "email" and error.maybe_sent and failed.maybe_sent_before:
        return None
    planned_s = WAITS_S[kind][min(failed.number, len(WAITS_S[kind])) - 1]
    planned = timedelta(seconds=planned_s * (1 + JITTER * max(-1.0, min(1.0, jitter))))
    wait = planned if error.retry_after is None else max(planned, min(error.retry_after, 2 * planned))
    return failed.at + wait if failed.at + wait < expires_at else None


def is_doubtful(code: str) -> bool:
    """Whether an HTTP code says that repeating the same request rarely helps."""
    return len(code) == 3 and code.startswith("4") and code not in PASSING_4XX


def after_failure(
    breaker: Breaker, started_at: datetime, now: datetime, address_id: int | None = None, code: str = ""
) -> Breaker:
    """A destination's breaker after one more failure of an attempt that began at `started_at`.

    address_id: what failed; None where it was the destination as such.
    Attempts that were under way when it opened, or begun while it rests, don't lengthen the pause.
    """
    if breaker.is_trying and breaker.since is not None and started_at <= breaker.since <= now:
        return replace(breaker, reason=code)
    suspects = () if address_id is None else breaker.suspects
    if address_id is not None and address_id not in suspects:
        suspects = (*suspects, address_id)[:ADDRESSES_TO_OPEN]
    counted = replace(breaker, failures=breaker.failures + 1, suspects=suspects, reason=code)
    is_suspect = address_id is None or len(suspects) >= ADDRESSES_TO_OPEN
    # while a host rests for its suspects, others are tried and say nothing new
    is_spared = breaker.rests(now) and spares_clean(breaker)
    if counted.failures < FAILURES_TO_OPEN or not is_suspect or is_spared:
        return counted
    return counted.opened(now, pause_after(breaker.pause))


def spares_clean(breaker: Breaker) -> bool:
    """Whether addresses that haven't failed of late are tried although their destination rests."""
    return bool(breaker.suspects)


def rests_alone(failures: int, last_failure_at: datetime | None, now: datetime) -> bool:
    """Whether an address that failed so often in a row is left alone now, whatever its host does."""
    if failures < FAILURES_TO_OPEN or last_failure_at is None:
        return False
    return last_failure_at <= now < last_failure_at + pause_number(failures - FAILURES_TO_OPEN)


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
