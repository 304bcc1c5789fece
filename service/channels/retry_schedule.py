"""When to try again: pure functions over what happened.

The waits are short at first because an alert is worth something for hours only. Mail starts slower:
a greylisting relay usually lets a message through after five to fifteen minutes.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from types import MappingProxyType

from service.channels.model import ChannelError

WAITS_S = MappingProxyType(
    {
        "webhook": (10, 60, 300, 900, 1800, 3600, 7200),
        "email": (120, 420, 900, 1800, 3600, 7200),
    }
)
"""Seconds from a failed attempt to the next, by channel; the last one repeats."""

JITTER = 0.2
"""Largest part of a wait that the jitter adds or takes, so that many failures don't return at once."""

DOUBTFUL_ATTEMPTS = 3
"""Attempts in all where the receiver says that the request itself is wrong (other 4xx)."""

PASSING_4XX = frozenset({"408", "409", "425", "429"})
"""HTTP 4xx that speak of the moment, not of the request (RFC 9110, RFC 6585, RFC 8470)."""


def next_attempt(
    kind: str,
    attempts: int,
    failed_at: datetime,
    error: ChannelError,
    expires_at: datetime,
    jitter: float,
    *,
    maybe_sent_before: bool = False,
) -> datetime | None:
    """When the next attempt is due, or None when there is none.

    kind: "email" or "webhook".  attempts: made so far, this one included (1 after the first).
    jitter: -1..1, drawn by the caller.  A Retry-After counts between the planned wait and twice that.
    maybe_sent_before: an earlier attempt already may have arrived. A mail that may have arrived is
    tried once more, not oftener; a webhook's receiver drops repeats by its id, so it is tried on.
    """
    if attempts >= attempt_limit(kind, error) or (kind == "email" and error.maybe_sent and maybe_sent_before):
        return None
    due_at = failed_at + wait(WAITS_S[kind], attempts, jitter, error.retry_after)
    return due_at if due_at < expires_at else None


def attempt_limit(kind: str, error: ChannelError) -> float:
    """How many attempts that error allows in all (inf: until the message expires)."""
    if error.permanent or error.gone:
        return 0
    if kind == "webhook" and is_doubtful(error.code):
        return DOUBTFUL_ATTEMPTS
    return float("inf")


def is_doubtful(code: str) -> bool:
    """Whether an HTTP code says that repeating the same request rarely helps."""
    return len(code) == 3 and code.startswith("4") and code not in PASSING_4XX


def wait(waits_s: Sequence[int], attempts: int, jitter: float, retry_after: timedelta | None) -> timedelta:
    """The planned wait after that many attempts, jittered and clamped to the receiver's wish."""
    planned_s = waits_s[min(attempts, len(waits_s)) - 1]
    planned = timedelta(seconds=planned_s * (1 + JITTER * max(-1.0, min(1.0, jitter))))
    if retry_after is None:
        return planned
    return max(planned, min(retry_after, 2 * planned))
