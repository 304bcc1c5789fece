"""When a message is tried again: every step of both schedules, and what ends them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.channels.model import ChannelError
from service.channels.retry_policy import FailedAttempt, next_attempt

FAILED_AT = datetime(2026, 7, 18, 15, 0, tzinfo=UTC)
NEVER = FAILED_AT + timedelta(days=30)
PASSING = ChannelError("503", "busy")


def wait_s(
    kind: str,
    attempts: int,
    error: ChannelError = PASSING,
    *,
    expires_at: datetime = NEVER,
    jitter: float = 0.0,
    maybe_sent_before: bool = False,
) -> float | None:
    failed = FailedAttempt(kind, attempts, FAILED_AT, error, maybe_sent_before)
    due_at = next_attempt(failed, expires_at, jitter)
    return None if due_at is None else (due_at - FAILED_AT).total_seconds()


@pytest.mark.parametrize(
    ("kind", "waits_s"),
    [
        ("webhook", [10, 60, 300, 900, 1800, 3600, 7200, 7200, 7200]),
        ("email", [120, 420, 900, 1800, 3600, 7200, 7200]),
    ],
    ids=["webhook", "email"],
)
def test_waits_grow_by_the_channels_table_and_the_last_repeats(kind: str, waits_s: list[int]) -> None:
    assert [wait_s(kind, attempts) for attempts in range(1, len(waits_s) + 1)] == waits_s


@pytest.mark.parametrize(
    ("jitter", "expected_s"),
    [(-1.0, 48), (-0.5, 54), (0.0, 60), (1.0, 72), (9.0, 72)],
    ids=["least", "less", "none", "most", "beyond the range counts as most"],
)
def test_jitter_moves_a_wait_by_a_fifth_at_most(jitter: float, expected_s: float) -> None:
    assert wait_s("webhook", 2, jitter=jitter) == pytest.approx(expected_s)


@pytest.mark.parametrize(
    ("retry_after_s", "expected_s"),
    [(0, 60), (30, 60), (90, 90), (120, 120), (86_400, 120)],
    ids=["at once", "sooner than planned", "in between", "twice", "a day"],
)
def test_retry_after_counts_between_the_planned_wait_and_twice_that(
    retry_after_s: int, expected_s: int
) -> None:
    error = ChannelError("429", "slow down", retry_after=timedelta(seconds=retry_after_s))
    assert wait_s("webhook", 2, error) == expected_s


@pytest.mark.parametrize(
    "error",
    [
        ChannelError("550 5.1.1", "no such user", permanent=True),
        ChannelError("410", "gone", permanent=True, gone=True),
        ChannelError("410", "gone", gone=True),
    ],
    ids=["permanent", "permanent and gone", "gone"],
)
@pytest.mark.parametrize("kind", ["webhook", "email"])
def test_a_permanent_error_ends_it_at_once(kind: str, error: ChannelError) -> None:
    assert wait_s(kind, 1, error) is None


@pytest.mark.parametrize("code", ["400", "401", "403", "404", "405", "413", "422"])
def test_a_request_called_wrong_is_tried_twice_more(code: str) -> None:
    error = ChannelError(code, "no")
    assert [wait_s("webhook", attempts, error) for attempts in (1, 2, 3)] == [10, 60, None]


@pytest.mark.parametrize("code", ["408", "409", "425", "429", "500", "502", "503", "504", "timeout", "dns"])
def test_a_passing_error_is_tried_until_the_message_expires(code: str) -> None:
    assert wait_s("webhook", 50, ChannelError(code, "later")) == 7200


@pytest.mark.parametrize("code", ["421", "450", "451 4.7.1", "452"])
def test_a_mail_servers_4xx_is_no_http_4xx(code: str) -> None:
    assert wait_s("email", 20, ChannelError(code, "later")) == 7200


@pytest.mark.parametrize(
    ("lives_s", "expected_s"),
    [(59, None), (60, None), (61, 60)],
    ids=["expires before", "expires just then", "expires after"],
)
def test_nothing_is_tried_once_the_message_has_expired(lives_s: int, expected_s: int | None) -> None:
    assert wait_s("webhook", 2, expires_at=FAILED_AT + timedelta(seconds=lives_s)) == expected_s


@pytest.mark.parametrize(
    ("kind", "before", "expected_s"),
    [("email", False, 120), ("email", True, None), ("webhook", True, 10)],
    ids=["a mail's first doubt", "a mail's second doubt", "a receiver that drops repeats"],
)
def test_a_mail_that_may_have_arrived_is_tried_once_more(
    kind: str, before: bool, expected_s: int | None
) -> None:
    error = ChannelError("broken", "dropped after the data", maybe_sent=True)
    assert wait_s(kind, 1, error, maybe_sent_before=before) == expected_s
