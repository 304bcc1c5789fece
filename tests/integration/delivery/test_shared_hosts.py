"""Many people's addresses at one host: nobody's silences another's."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from datetime import timedelta

import pytest
from sqlalchemy import select

from alerts.notifying.model import AlertKind
from service.channels import host_state
from service.store.repositories import messages
from service.store.repositories.messages import Status
from service.store.schema.delivery_tables import EndpointRow
from tests.integration.channels.channel_receivers import Receiver, Talk
from tests.integration.delivery.receivers import answer
from tests.integration.delivery.yard import HOUR, Yard
from tests.integration.queued import enqueue

MINUTE = timedelta(minutes=1)


@dataclass
class SharedHost:
    """Answers each path by itself: those in `bad` fail so, the others take all.

    heard: the paths that were called, in their order.
    """

    bad: set[str] = field(default_factory=set)
    failure: bytes | None = field(default_factory=lambda: answer("503 Busy"))
    heard: list[str] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def script(self, talk: Talk) -> None:
        first, _, _ = talk.hear_request()
        path = first.split()[1].decode().removeprefix("/")
        with self._lock:
            self.heard.append(path)
        if path not in self.bad:
            talk.say(answer("204 No Content"))
        elif self.failure is None:
            talk.hang()
        else:
            talk.say(self.failure)


def url(receiver: Receiver, path: str) -> str:
    return f"http://{receiver.place}/{path}"


def take_back(yard: Yard, address_id: int, subscription_id: int) -> str:
    """A stand-down after a go that went out; its id."""
    decision_id = yard.decide(subscription_id, "stay", 20)
    alert = yard.alert(subscription_id, decision_id, AlertKind.STAND_DOWN, helps_for=12 * HOUR)
    with yard.sessions.begin() as session:
        made = enqueue(session, address_id, [alert], created_at=yard.wall, due_at=yard.wall)
        return made.id


@pytest.mark.parametrize("status", ["503 Busy", "429 Slow", "404 None", "500 Oops"])
def test_row_123_three_bad_receivers_of_thirty_hold_nobody_up(both: Yard, status: str) -> None:
    host = SharedHost({"bad0", "bad1", "bad2"}, answer(status))
    with Receiver(host.script) as receiver:
        bad = [both.address("webhook", url(receiver, f"bad{n}")) for n in range(3)]
        good = [both.address("webhook", url(receiver, f"good{n}")) for n in range(27)]
        for address in (*bad, *good):
            both.message(address, helps_for=12 * HOUR)
        assert both.deliver()[Status.SENT] == 27
        for minutes in (1, 10, 60):
            both.deliver(later=minutes * MINUTE)
            subscription = both.subscription(good[0])
            go = both.message(good[0], subscription_id=subscription)
            both.deliver()
            back = take_back(both, good[0], subscription)
            both.deliver()
            assert [both.status(go), both.status(back)] == [Status.SENT, Status.SENT]


@pytest.mark.parametrize("failure", [answer("503 Busy"), None], ids=["answers 503", "hangs"])
def test_row_123_twenty_dead_addresses_beside_one_good_one(yard: Yard, failure: bytes | None) -> None:
    dead = 20 if failure else 6  # each that hangs takes half a second
    host = SharedHost({f"bad{n}" for n in range(dead)}, failure)
    yard.duskbell.channels["webhook"]._client._whole_s = 0.5  # type: ignore[attr-defined]
    with Receiver(host.script) as receiver:
        for number in range(dead):
            yard.message(yard.address("webhook", url(receiver, f"bad{number}")), helps_for=12 * HOUR)
        good = yard.address("webhook", url(receiver, "good"))
        yard.deliver()
        for _ in range(3):
            yard.deliver(later=30 * MINUTE)
            message = yard.message(good)
            host.heard.clear()
            yard.deliver()
            assert yard.status(message) is Status.SENT
            assert host.heard[0] == "good", "nobody who fails is tried before"


def test_row_124_one_address_that_fails_often_rests_alone(both: Yard) -> None:
    host = SharedHost({"bad"})
    with Receiver(host.script) as receiver:
        bad = both.address("webhook", url(receiver, "bad"))
        good = both.address("webhook", url(receiver, "good"))
        for _ in range(12):
            both.message(bad, helps_for=12 * HOUR)
        both.deliver()
        assert len(host.heard) == 5, "then it rests, with seven untried"
        with both.sessions() as session:
            assert host_state.find_breakers(session).popitem()[1].retry_at is None
        both.message(good)
        both.deliver(later=MINUTE)
        assert host.heard[5:] == ["good"]
        both.deliver(later=5 * MINUTE)
        assert host.heard[6:] == ["bad"], "one shows that it still fails"
        host.bad.clear()
        both.deliver(later=11 * MINUTE)
        both.deliver(later=60 * MINUTE)
    with both.sessions() as session:
        assert list(messages.find_due(session, both.wall)) == []
        assert session.scalars(select(EndpointRow.failures)).all() == [0]


def test_row_123_when_all_of_a_host_fails_each_address_is_tried_once_and_a_stand_down_first(
    yard: Yard,
) -> None:
    paths = [f"p{n}" for n in range(10)]
    host = SharedHost(set(paths))
    with Receiver(host.script) as receiver:
        addresses = [yard.address("webhook", url(receiver, path)) for path in paths]
        for address in addresses[:9]:
            yard.message(address, helps_for=12 * HOUR)
        subscription = yard.subscription(addresses[9])
        go = yard.message(addresses[9], subscription_id=subscription)
        host.bad.clear()
        yard.deliver()
        assert yard.status(go) is Status.SENT
        host.bad = set(paths)
        host.heard.clear()
        for address in addresses[:9]:
            yard.message(address, helps_for=12 * HOUR)
        take_back(yard, addresses[9], subscription)
        yard.deliver()
        assert sorted(host.heard) == paths
        assert host.heard[0] == "p9"
        yard.deliver(later=MINUTE)
        assert len(host.heard) == 10
        host.bad.clear()
        yard.deliver(later=5 * MINUTE)
        assert len(host.heard) == 20
