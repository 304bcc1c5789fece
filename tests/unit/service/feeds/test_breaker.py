"""When a feed is left alone, and what ends that."""

from datetime import timedelta

import pytest

from service.common.backoff import Breaker, BreakerState
from service.feeds.shared.checked_answers import (
    AllowanceSpent,
    BadAnswer,
    FeedDown,
    FeedRefused,
    FeedThrottled,
    NotAsked,
)
from service.feeds.shared.guards import FAILURES_ALLOWED, after, refusal
from tests.unit.service.feeds.feed_files import utc

NOW = utc("2026-10-09T12:00")
DOWN = FeedDown("it is down.", status=502)
SHUT_OUT = FeedRefused("it refuses the request (403).", status=403)


def failing(times, error=DOWN):
    breaker = Breaker()
    for _ in range(times):
        breaker = after(breaker, error, NOW)
    return breaker


def test_a_feed_that_nothing_happened_to_is_asked():
    assert refusal(Breaker(), "metno", NOW) is None
    assert after(Breaker(), None, NOW) == Breaker()


def test_a_few_failures_are_borne():
    breaker = failing(FAILURES_ALLOWED - 1)
    assert (breaker.state, breaker.failures) == (BreakerState.CLOSED, FAILURES_ALLOWED - 1)
    assert refusal(breaker, "metno", NOW) is None


@pytest.mark.parametrize(
    ("failures", "minutes"), [(3, 5), (4, 10), (5, 20), (6, 40), (7, 60), (30, 60)], ids=str
)
def test_more_open_it_for_longer_each_time_up_to_an_hour(failures, minutes):
    breaker = failing(failures)
    assert (breaker.state, breaker.retry_at) == (BreakerState.OPEN, NOW + timedelta(minutes=minutes))
    assert "left alone until" in str(refusal(breaker, "metno", NOW))


def test_once_its_time_is_up_it_is_tried_and_success_closes_it():
    breaker = failing(3)
    later = NOW + timedelta(minutes=5)
    assert refusal(breaker, "metno", later) is None
    closed = after(breaker, None, later)
    assert (closed.state, closed.failures, closed.since) == (BreakerState.CLOSED, 0, later)


@pytest.mark.parametrize("status", [401, 403])
def test_a_refusal_of_us_stays_until_an_operator_acts(status):
    breaker = after(Breaker(), FeedRefused("no.", status=status), NOW)
    found = refusal(breaker, "metno", NOW + timedelta(days=400))
    assert breaker.state is BreakerState.SHUT
    assert (found.status, "duskbell feeds close metno" in str(found)) == (403, True)


@pytest.mark.parametrize("wait", [None, timedelta(minutes=20)], ids=["unsaid", "said"])
def test_row_18_throttling_opens_it_for_as_long_as_asked(wait):
    breaker = after(Breaker(), FeedThrottled("too often.", retry_after=wait), NOW)
    assert breaker.retry_at == NOW + (wait or timedelta(minutes=1))


def test_an_endless_wait_is_taken_for_a_day():
    breaker = after(Breaker(), FeedThrottled("too often.", retry_after=timedelta(days=900)), NOW)
    assert breaker.retry_at == NOW + timedelta(days=1)


@pytest.mark.parametrize(
    "error",
    [
        FeedRefused("no such place.", status=404),
        FeedRefused("bad question.", status=400),
        BadAnswer("broken.", gate="body"),
        AllowanceSpent("our own limit."),
        NotAsked("no time was left."),
    ],
    ids=["404", "400", "bad answer", "our own limit", "no time"],
)
def test_what_says_nothing_against_asking_changes_nothing(error):
    breaker = failing(2)
    assert after(breaker, error, NOW) is breaker
