"""Rate limits in the database: for all processes together, and over restarts."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from sqlalchemy import func, select

from service.common.secret_key import Keys
from service.store.repositories import rate_limits
from service.store.schema.delivery_tables import LimitBucketRow
from tests.integration.delivery.yard import NOW, Yard

KEYS = Keys(bytes(32))


def allow(yard: Yard, act: str, **who: str) -> bool:
    with yard.sessions.begin() as session:
        return rate_limits.allow(session, KEYS, act, yard.wall, **who)


def test_an_act_that_one_bucket_refuses_takes_nothing_from_the_others(yard: Yard) -> None:
    assert allow(yard, "confirm", address="a", network="n")
    assert not allow(yard, "confirm", address="a", network="n")
    taken = [allow(yard, "confirm", address=f"b{number}", network="n") for number in range(25)]
    assert taken.count(True) == 19


def test_a_bucket_fills_again_with_time(yard: Yard) -> None:
    assert [allow(yard, "token", network="n") for _ in range(12)].count(True) == 10
    yard.wall += timedelta(seconds=30)
    assert [allow(yard, "token", network="n") for _ in range(12)].count(True) == 5


def test_many_at_once_get_no_more_than_there_is(both: Yard) -> None:
    let_in: list[bool] = []

    def knock() -> None:
        for _ in range(4):
            let_in.append(allow(both, "token", network="n"))

    threads = [threading.Thread(target=knock) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(let_in), let_in.count(True)) == (24, 10)


SENDERS = {
    "one address": lambda k: "192.0.2.7",
    "one IPv6 network": lambda k: f"2001:db8:1:2::{k:x}",
    "all networks of a /48": lambda k: f"2001:db8:1:{k:x}::1",
    "a /24": lambda k: f"192.0.2.{k % 256}",
}


@pytest.mark.parametrize("sender", SENDERS)
@pytest.mark.parametrize("act", ["confirm", "sign_in", "challenge", "token"])
def test_row_90_no_sender_empties_what_all_share(yard: Yard, act: str, sender: str) -> None:
    taken = 0
    with yard.sessions.begin() as session:
        for k in range(rate_limits.LIMITS[act]["all"].most + 10):
            who = {"address": f"a{k}", "host": f"h{k}", "network": rate_limits.network_of(SENDERS[sender](k))}
            taken += rate_limits.allow(session, KEYS, act, yard.wall, **who)
    assert 10 <= taken <= rate_limits.LIMITS[act]["all"].most / 5
    for network in ("198.51.100.1", "2001:db8:2::1"):
        assert allow(yard, act, network=rate_limits.network_of(network), address=network, host=network)


def test_row_90_many_keys_of_one_person_leave_questions_for_others(yard: Yard) -> None:
    with yard.sessions.begin() as session:
        taken = [
            rate_limits.allow(session, KEYS, "judge", yard.wall, key=str(k % 20), person="1")
            for k in range(700)
        ]
    assert taken.count(True) == 90
    assert allow(yard, "judge", key="21", person="2")


def test_row_90_what_reaches_nobody_takes_nothing_from_what_all_share(yard: Yard) -> None:
    with yard.sessions.begin() as session:
        for k in range(650):
            who = {"network": f"10.{k % 250}.{k // 250}.1", "address": ""}
            rate_limits.allow(session, KEYS, "sign_in", yard.wall, reaches_nobody=True, **who)
    assert allow(yard, "sign_in", network="192.0.2.7", address="a")


def test_whom_a_bucket_belongs_to_can_not_be_read_from_it(yard: Yard) -> None:
    allow(yard, "confirm", address="ada@example.net", network="192.0.2.7")
    with yard.sessions() as session:
        keys = session.scalars(select(LimitBucketRow.key)).all()
    assert len(keys) == 4
    assert not any("ada@" in key or "192.0.2" in key for key in keys)


def test_buckets_that_nobody_touches_are_forgotten(yard: Yard) -> None:
    allow(yard, "confirm", address="a", network="n")
    with yard.sessions.begin() as session:
        rate_limits.forget_full(session, NOW + timedelta(days=1))
        assert session.scalar(select(func.count()).select_from(LimitBucketRow)) == 4
        rate_limits.forget_full(session, NOW + timedelta(days=3))
        assert session.scalar(select(func.count()).select_from(LimitBucketRow)) == 0
