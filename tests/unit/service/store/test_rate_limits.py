"""How a bucket fills, whatever the clock does."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.store.repositories.rate_limits import Limit, network_of

AT = datetime(2027, 7, 3, 12, 0, tzinfo=UTC)
TEN_AN_HOUR = Limit(10, timedelta(hours=1))


@pytest.mark.parametrize(
    ("level", "passed", "now"),
    [
        (0.0, timedelta(0), 0.0), (0.0, timedelta(minutes=6), 1.0), (4.0, timedelta(minutes=30), 9.0),
        (9.0, timedelta(hours=5), 10.0), (3.0, timedelta(minutes=-30), 3.0),
    ],
    ids=["at once", "six minutes", "half an hour", "full", "a clock set back"],
)  # fmt: skip
def test_it_fills_steadily_to_the_brim(level: float, passed: timedelta, now: float) -> None:
    assert TEN_AN_HOUR.refilled(level, AT, AT + passed) == pytest.approx(now)


@given(st.lists(st.integers(0, 7200), max_size=60))
def test_no_span_of_time_lets_more_through_than_the_brim_and_what_flowed_in(steps_s: list[int]) -> None:
    level, at, taken = 10.0, AT, 0
    for step in steps_s:
        later = at + timedelta(seconds=step)
        level, at = TEN_AN_HOUR.refilled(level, at, later), later
        while level >= 1:
            level -= 1
            taken += 1
    assert taken <= 10 + sum(steps_s) / 360 + 1e-6


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2::9", "2001:db8:1:2::/64"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("fe80::1%eth0", "fe80::/64"),
        ("", ""),
        ("testclient", "testclient"),
    ],
)
def test_one_household_is_one_network(address: str, network: str) -> None:
    assert network_of(address) == network
