"""Fairness between hosts, without threads: who may start when."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.delivery.fair_queue import FairQueue, WaitingMessage


def waiting(**counts: int) -> list[WaitingMessage]:
    """`waiting(a=2)`: messages a0 and a1 for host a, hosts one after the other."""
    return [WaitingMessage(f"{host}{n}", host) for host, count in counts.items() for n in range(count)]


def proven(lanes: FairQueue, *hosts: str) -> FairQueue:
    """With one message that has got through to each host."""
    lanes.fill(waiting(**dict.fromkeys(hosts, 1)))
    for message_id in lanes.take(0.0):
        lanes.finished(message_id, got_through=True)
    return lanes


def test_hosts_are_served_in_turn_however_many_messages_one_has() -> None:
    lanes = proven(FairQueue(places=4), "a")
    lanes.fill(waiting(a=100, b=1, c=1))
    assert lanes.take(0.0) == ["a0", "b0", "c0", "a1"]


def test_one_host_gets_four_at_most_and_the_next_when_one_is_done() -> None:
    lanes = proven(FairQueue(), "a")
    lanes.fill(waiting(a=10))
    assert lanes.take(0.0) == ["a0", "a1", "a2", "a3"]
    assert lanes.take(0.0) == []
    lanes.finished("a2")
    assert lanes.take(0.1) == ["a4"]


def test_a_slow_send_gives_its_place_away_but_not_its_hosts_share() -> None:
    lanes = proven(FairQueue(places=4, slow_after_s=1.0), "hanging", "quick")
    lanes.fill(waiting(hanging=8, quick=8))
    first = lanes.take(0.0)
    for message_id in [each for each in first if each.startswith("quick")]:
        lanes.finished(message_id)
    assert lanes.take(0.5) == ["hanging2", "quick2"]
    lanes.finished("quick2")
    later = lanes.take(1.2)
    assert [each for each in later if each.startswith("hanging")] == ["hanging3"]
    assert len([each for each in later if each.startswith("quick")]) == 2
    assert lanes.next_slow_s(1.2) == pytest.approx(0.3)


def test_there_is_an_end_to_the_slow_ones_too() -> None:
    lanes = FairQueue(places=2, at_most=3, slow_after_s=1.0)
    lanes.fill(waiting(**{f"h{n}": 1 for n in range(9)}))
    assert len(lanes.take(0.0)) == 2
    assert len(lanes.take(5.0)) == 1
    assert lanes.take(9.0) == []


def test_a_host_on_trial_gets_one_message_at_a_time() -> None:
    lanes = proven(FairQueue(), "a", "b")
    lanes.fill(waiting(a=3, b=3), single=["a"])
    assert lanes.take(0.0) == ["a0", "b0", "b1", "b2"]


def test_a_blocked_host_gets_nothing_until_the_next_look() -> None:
    lanes = FairQueue()
    lanes.fill(waiting(a=9, b=1))
    lanes.block("a")
    assert lanes.take(0.0) == ["b0"]
    lanes.fill(waiting(a=1))
    assert lanes.take(0.0) == ["a0"]


def test_what_is_under_way_is_not_queued_again_by_a_new_look() -> None:
    lanes = proven(FairQueue(), "a")
    lanes.fill(waiting(a=2))
    assert lanes.take(0.0) == ["a0", "a1"]
    lanes.fill(waiting(a=3))
    assert lanes.take(0.0) == ["a2"]


def test_row_125_a_host_gets_one_until_one_got_through_and_again_after_a_failure() -> None:
    lanes = FairQueue()
    lanes.fill(waiting(a=10))
    assert lanes.take(0.0) == ["a0"]
    assert lanes.take(5.0) == []
    lanes.finished("a0", got_through=True)
    assert lanes.take(5.0) == ["a1", "a2", "a3", "a4"]
    lanes.finished("a1", got_through=False)
    assert lanes.take(6.0) == []
    for each in ("a2", "a3", "a4"):
        lanes.finished(each)
    assert lanes.take(6.0) == ["a5"]


def test_row_125_hosts_that_hang_take_one_place_each() -> None:
    lanes = FairQueue()
    hanging = {f"h{n}": 10 for n in range(150)}
    lanes.fill(waiting(**hanging, good=3))
    for now_s in (0.0, 2.0, 4.0):
        lanes.take(now_s)
    assert lanes.under_way == 151


def test_row_123_addresses_that_fail_have_one_lane_beside_the_others() -> None:
    lanes = proven(FairQueue(), "a")
    failing = [WaitingMessage(f"x{n}", "a", n + 100, is_failing=True) for n in range(20)]
    lanes.fill([*failing, *waiting(a=5)])
    assert sorted(lanes.take(0.0)) == ["a0", "a1", "a2", "a3", "x0"]
    lanes.finished("x0", got_through=False)
    assert lanes.take(0.1) == ["x1"]
    lanes.finished("a0", got_through=True)
    assert lanes.take(0.2) == ["a4"], "what fails says nothing of the others"
    lanes.block("a")
    lanes.finished("x1", got_through=False)
    assert lanes.take(0.3) == []


def test_row_124_an_address_set_aside_gets_nothing_until_the_next_look() -> None:
    lanes = proven(FairQueue(), "a")
    mine = [WaitingMessage(f"x{n}", "a", 7) for n in range(3)]
    lanes.fill([mine[0], *mine[1:], WaitingMessage("y", "a", 8)])
    lanes.set_aside(7)
    assert lanes.take(0.0) == ["y"]
    lanes.fill(mine)
    assert lanes.take(0.0) == ["x0", "x1", "x2"]


@given(
    st.dictionaries(st.sampled_from("abcdef"), st.integers(1, 12), min_size=1),
    st.lists(st.integers(0, 30), max_size=80),
)
def test_every_message_starts_exactly_once_and_no_limit_is_passed(
    counts: dict[str, int], finishing: list[int]
) -> None:
    lanes = FairQueue(per_destination=3, places=5, at_most=7, slow_after_s=2.0)
    lanes.fill(waiting(**counts))
    started: list[str] = []
    under_way: list[str] = []
    for now_s in range(len(finishing) + 200):
        fresh = lanes.take(float(now_s))
        started += fresh
        under_way += fresh
        assert lanes.under_way == len(under_way) <= 7
        assert all(sum(each[0] == host for each in under_way) <= 3 for host in counts)
        if under_way:
            at = finishing[now_s] if now_s < len(finishing) else 0
            done = under_way.pop(at % len(under_way))
            lanes.finished(done)
    assert sorted(started) == sorted(each.message_id for each in waiting(**counts))
