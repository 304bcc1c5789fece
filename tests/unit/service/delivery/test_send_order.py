"""Which of the messages that are due may go, and in what order."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.channels.model import Channel
from service.channels.safe_http import SafeClient
from service.channels.webhook import Webhook
from service.common.backoff import Breaker, BreakerState
from service.delivery.fair_queue import in_order
from service.store.repositories.messages import Due

AT = datetime(2027, 7, 3, 12, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
CHANNELS: dict[str, Channel] = {"webhook": Webhook(SafeClient())}
HOST = "a.example:443"


def due(name: str, *, failures: int = 0, back: bool = False, host: str = "a.example", since: int = 1) -> Due:
    """since: minutes since it failed last."""
    failed_at = AT - since * MINUTE if failures else None
    return Due(name, len(name), "webhook", f"https://{host}/{name}", failures, failed_at, back)


def picked(*waiting: Due, breaker: Breaker | None = None) -> list[str]:
    breakers = {HOST: breaker} if breaker else {}
    return [each.message_id for each in in_order(waiting, CHANNELS, breakers, AT)]


ALL = (
    due("failed", failures=1),
    due("go"),
    due("failed-back", failures=2, back=True),
    due("back", back=True),
)
RESTS_FOR_SOME = Breaker(BreakerState.OPEN, 5, AT - MINUTE, AT + 4 * MINUTE, "", 5 * MINUTE, (1, 2, 3))
ON_TRIAL = Breaker(BreakerState.OPEN, 5, AT - 6 * MINUTE, AT - MINUTE, "", 5 * MINUTE, (1, 2, 3))
RESTS_FOR_ALL = Breaker(BreakerState.OPEN, 5, AT - MINUTE, AT + 4 * MINUTE, "", 5 * MINUTE)


@pytest.mark.parametrize(
    ("breaker", "names"),
    [
        (None, ["back", "go", "failed-back", "failed"]),
        (RESTS_FOR_SOME, ["back", "go"]),
        (ON_TRIAL, ["back", "go"]),
        (RESTS_FOR_ALL, []),
    ],
    ids=["all well", "rests", "on trial", "rests for all"],
)
def test_row_123_clean_addresses_first_and_stand_downs_before_the_rest(
    breaker: Breaker | None, names: list[str]
) -> None:
    assert picked(*ALL, breaker=breaker) == names


def test_row_123_without_a_clean_address_one_that_failed_shows_how_its_host_is() -> None:
    failing = [each for each in ALL if each.failures]
    assert picked(*failing, breaker=ON_TRIAL) == ["failed-back", "failed"]
    assert picked(*failing, due("elsewhere", host="b.example"), breaker=ON_TRIAL) == [
        "elsewhere",
        "failed-back",
        "failed",
    ]


def test_row_124_an_address_that_failed_five_times_rests_whatever_its_host_does() -> None:
    assert picked(due("rests", failures=5, since=4), due("again", failures=5, since=5)) == ["again"]
