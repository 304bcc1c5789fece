"""When a host is left alone, and for how long."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest

from service.channels.model import ChannelError
from service.channels.retry_policy import (
    after_failure,
    rests_alone,
    spares_clean,
    speaks_of_all,
    speaks_of_destination,
)
from service.common.backoff import CLOSED, Breaker

AT = datetime(2027, 7, 3, 12, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def failed(
    times: int, breaker: Breaker = CLOSED, at: datetime = AT, addresses: Sequence[int | None] = (None,)
) -> Breaker:
    """After so many failures, a second apart, of these addresses in turn; None is the destination as such."""
    for number in range(times):
        moment = at + timedelta(seconds=number)
        breaker = after_failure(breaker, moment, moment, addresses[number % len(addresses)])
    return breaker


@pytest.mark.parametrize(("times", "is_open"), [(0, False), (4, False), (5, True)])
def test_it_opens_at_the_fifth_failure_in_a_row(times: int, is_open: bool) -> None:
    assert failed(times).rests(AT + timedelta(seconds=5)) is is_open


@pytest.mark.parametrize(
    ("addresses", "times", "is_open"),
    [
        ([1], 100, False),
        ([1, 2], 100, False),
        ([1, 2, 3], 4, False),
        ([1, 2, 3], 5, True),
        (range(20), 5, True),
        ([1, 1, 1, 1, 2, 3], 5, False),
        ([1, 1, 1, 1, 2, 3], 6, True),
        ([1, None], 5, False),
        ([None], 5, True),
    ],
    ids=[
        "one",
        "two",
        "three",
        "three, five times",
        "many",
        "the second",
        "the third",
        "the host, then one",
        "host",
    ],
)
def test_row_123_a_host_is_suspected_only_when_several_addresses_failed(
    addresses: Sequence[int | None], times: int, is_open: bool
) -> None:
    assert failed(times, addresses=addresses).rests(AT + timedelta(seconds=times)) is is_open


def test_row_123_while_it_rests_for_some_addresses_others_are_tried_and_lengthen_nothing() -> None:
    opened = failed(5, addresses=[1, 2, 3])
    assert spares_clean(opened)
    later = after_failure(opened, AT + MINUTE, AT + MINUTE, 4)
    assert (later.pause, later.retry_at) == (opened.pause, opened.retry_at)
    assert opened.retry_at is not None
    probed = after_failure(later, opened.retry_at, opened.retry_at, 1)
    assert probed.pause == 2 * opened.pause


def test_a_relay_that_does_not_talk_rests_for_everybody() -> None:
    assert not spares_clean(failed(5))
    mixed = after_failure(failed(5, addresses=[1, 2, 3]), AT + MINUTE, AT + MINUTE, None)
    assert not spares_clean(mixed)


@pytest.mark.parametrize(
    ("failures", "minutes", "rests"),
    [(4, 0, False), (5, 0, True), (5, 4, True), (5, 5, False), (6, 9, True), (6, 10, False), (99, 59, True),
     (99, 60, False), (5, -1, False)],
)  # fmt: skip
def test_row_124_an_address_that_fails_again_and_again_rests_by_itself(
    failures: int, minutes: int, rests: bool
) -> None:
    assert rests_alone(failures, AT, AT + minutes * MINUTE) is rests


def test_each_pause_is_twice_the_last_up_to_an_hour() -> None:
    breaker, pauses = failed(5), []
    for _ in range(6):
        pauses.append(breaker.pause / MINUTE)
        assert breaker.retry_at is not None
        probe = breaker.retry_at + timedelta(seconds=1)
        assert not breaker.rests(probe)
        assert breaker.is_trying
        breaker = after_failure(breaker, probe, probe)
    assert pauses == [5, 10, 20, 40, 60, 60]


def test_attempts_already_under_way_when_it_opened_do_not_lengthen_the_pause() -> None:
    opened = failed(5)
    late = after_failure(opened, AT, AT + 3 * MINUTE)
    assert late == opened


def test_row_12_a_clock_set_back_neither_keeps_it_open_nor_keeps_it_from_opening() -> None:
    opened, earlier = failed(5), AT - timedelta(hours=1)
    assert opened.rests(AT + MINUTE)
    assert not opened.rests(earlier)
    again = after_failure(opened, earlier, earlier)
    assert again.rests(earlier + MINUTE)
    assert again.pause == 2 * opened.pause


@pytest.mark.parametrize(
    ("kind", "error", "speaks"),
    [
        ("webhook", ChannelError("503", "busy"), True),
        ("webhook", ChannelError("429", "slow"), True),
        ("webhook", ChannelError("timeout", "", maybe_sent=True), True),
        ("webhook", ChannelError("dns", ""), True),
        ("webhook", ChannelError("404", ""), False),
        ("webhook", ChannelError("410", "", permanent=True, gone=True), False),
        ("webhook", ChannelError("blocked", "", permanent=True), False),
        ("webhook", ChannelError("no_secret", "", permanent=True, ours=True), False),
        ("email", ChannelError("535", "login", ours=True), True),
        ("email", ChannelError("tls", "", ours=True), True),
        ("email", ChannelError("timeout", ""), True),
        ("email", ChannelError("broken", "", maybe_sent=True), True),
        ("email", ChannelError("451 4.7.1", "greylisted"), False),
        ("email", ChannelError("550 5.1.1", "no such user", permanent=True), False),
        ("email", ChannelError("550 5.7.1", "spam", permanent=True, ours=True), False),
    ],
    ids=lambda value: f"{value.code}" if isinstance(value, ChannelError) else None,
)
def test_only_what_is_about_the_host_counts_against_it(kind: str, error: ChannelError, speaks: bool) -> None:
    assert speaks_of_destination(kind, error) is speaks


@pytest.mark.parametrize(
    ("kind", "error", "speaks"),
    [
        ("email", ChannelError("refused", "", ours=True), True),
        ("email", ChannelError("timeout", ""), False),
        ("email", ChannelError("broken", "", maybe_sent=True), False),
        ("webhook", ChannelError("dns", ""), False),
        ("webhook", ChannelError("timeout", ""), False),
    ],
)
def test_only_a_relay_that_lets_nobody_in_speaks_of_all(kind: str, error: ChannelError, speaks: bool) -> None:
    assert speaks_of_all(kind, error) is speaks
