"""Webhooks through the whole stage: what each answer leads to, and that nobody waits for another."""

from __future__ import annotations

import threading
import time
from datetime import timedelta

import pytest

from alerts.notifying.model import AlertKind
from alerts.wishes.model import Wishes
from service.store.repositories.messages import Status
from tests.integration.conftest import OpenYard
from tests.integration.delivery.receivers import Hook, Receiver, Talk, answer
from tests.integration.delivery.yard import NOW, Yard
from tests.integration.queued import claim, enqueue

DAY = timedelta(days=1)


def test_a_message_goes_out_once_and_its_attempt_is_kept(both: Yard) -> None:
    hook = Hook(reply=lambda _: answer("200 OK", b"thanks"))
    with Receiver(hook.script) as receiver:
        message_id = both.message(both.address("webhook", receiver.url))
        assert both.deliver() == {Status.SENT: 1}
        assert both.deliver(later=timedelta(minutes=5)) == {}
    assert hook.ids == {message_id: 1}
    assert both.codes(message_id) == ["200"]
    row = both.row(message_id)
    assert (row.status, row.settled_at, row.lease_token) == (Status.SENT, NOW, None)


@pytest.mark.parametrize("status", ["503 Busy", "429 Too Many Requests", "408 Request Timeout"])
def test_a_passing_failure_is_tried_again_under_the_same_id(status: str, yard: Yard) -> None:
    hook = Hook(reply=lambda number: answer(status if number == 1 else "204 No Content"))
    with Receiver(hook.script) as receiver:
        message_id = yard.message(yard.address("webhook", receiver.url))
        assert yard.deliver() == {Status.RETRY: 1}
        assert yard.deliver(later=timedelta(seconds=5)) == {}
        assert yard.deliver(later=timedelta(seconds=10)) == {Status.SENT: 1}
    assert hook.ids == {message_id: 2}
    assert yard.codes(message_id) == [status[:3], "204"]


def test_nothing_is_sent_past_the_point_where_it_helps(yard: Yard) -> None:
    hook = Hook(reply=lambda _: answer("503 Busy"))
    with Receiver(hook.script) as receiver:
        message_id = yard.message(yard.address("webhook", receiver.url), helps_for=timedelta(minutes=30))
        for _ in range(8):
            yard.deliver(later=timedelta(minutes=10))
    assert yard.status(message_id) in (Status.EXPIRED, Status.FAILED)
    assert len(hook.heard) <= 4
    assert yard.row(message_id).settled_at is not None


HANGS_FOR_S = 3.0


class HangingHook(Hook):
    """Says nothing, or says it byte by byte, for longer than anyone waits."""

    def serve(self, talk: Talk, number: int) -> None:
        if number % 2:
            talk.hang()
        else:
            talk.drip(b"HTTP/1.1 200 OK\r\nX-Slow: " + b"y" * 5000)


def test_row_51_receivers_that_hang_or_drip_delay_nobody_else(new_yard: OpenYard) -> None:
    """Forty others have theirs before the first of twelve receivers is given up."""
    hanging, quick = HangingHook(), Hook()
    with (
        new_yard(whole_s=HANGS_FOR_S) as yard,
        Receiver(quick.script) as good,
    ):
        silent = [Receiver(hanging.script).__enter__() for _ in range(12)]
        for receiver in silent:
            address = yard.address("webhook", receiver.url)
            for _ in range(2):
                yard.message(address)
        address = yard.address("webhook", good.url)
        for _ in range(40):
            yard.message(address)
        arrived = _watch_arrivals(quick, 40)
        counts = yard.deliver()
        assert arrived() < HANGS_FOR_S
        assert (counts[Status.SENT], counts[Status.RETRY]) == (40, 24)
        for receiver in silent:
            receiver.__exit__(None, None, None)
    assert quick.most_at_once <= 4
    assert len(hanging.heard) == 24


def _watch_arrivals(hook: Hook, count: int):  # type: ignore[no-untyped-def]  # a clock to read later
    """Seconds from now until the hook had heard that many, measured by the hook's own thread."""
    began_s, reached_s = time.monotonic(), [float("inf")]
    reply = hook.reply

    def timed(number: int) -> bytes:
        if number == count:
            reached_s[0] = time.monotonic() - began_s
        return reply(number)

    hook.reply = timed
    return lambda: reached_s[0]


def test_one_host_gets_four_at_a_time_whatever_its_ports_addresses_say(yard: Yard) -> None:
    """The first alone, as nothing has got through yet; of the others each waits until four are there."""
    four = threading.Barrier(4)

    class Slow(Hook):
        def serve(self, talk: Talk, number: int) -> None:
            if number > 1:
                four.wait(4.0)
                time.sleep(0.02)
            super().serve(talk, number)

    hook = Slow()
    with Receiver(hook.script) as receiver:
        for number in range(21):
            yard.message(yard.address("webhook", f"{receiver.url}&who={number}"))
        assert yard.deliver() == {Status.SENT: 21}
    assert hook.most_at_once == 4


def test_a_host_at_which_all_fail_rests_once_each_was_tried_and_the_others_go_on(yard: Yard) -> None:
    bad, good = Hook(reply=lambda _: answer("500 Oops")), Hook()
    with Receiver(bad.script) as ill, Receiver(good.script) as well:
        waiting = [yard.message(yard.address("webhook", ill.url)) for _ in range(20)]
        for _ in range(20):
            yard.message(yard.address("webhook", well.url))
        assert yard.deliver()[Status.SENT] == 20
        assert set(bad.ids.values()) == {1}
        before = len(bad.heard)
        assert before == 20
        yard.deliver(later=timedelta(minutes=4))
        assert len(bad.heard) == before
        yard.deliver(later=timedelta(minutes=2))
        assert len(bad.heard) == before + 1
        bad.reply = lambda _: answer("204 No Content")
        yard.deliver(later=timedelta(minutes=11))
        yard.deliver(later=timedelta(minutes=20))
    assert {yard.status(each) for each in waiting} == {Status.SENT}


def test_row_12_a_clock_set_back_frees_what_a_dead_sender_held_and_wakes_who_rests(both: Yard) -> None:
    """An hour back: a lease or a pause that was given before would otherwise last for that hour."""
    hook = Hook(reply=lambda number: answer("500 Oops" if number <= 5 else "204 No Content"))
    with Receiver(hook.script) as receiver:
        made = [both.message(both.address("webhook", receiver.url)) for _ in range(5)]
        assert both.deliver() == {Status.RETRY: 5}
        held = both.message(both.address("webhook", receiver.url))
        with both.sessions.begin() as session:
            assert claim(session, held, both.wall) is not None
        assert both.deliver(later=timedelta(minutes=1)) == {}
        assert both.deliver(later=-timedelta(hours=1)) == {Status.SENT: 6}
        assert hook.ids[held] == 1
    assert {both.status(each) for each in made} == {Status.SENT}
    assert both.row(held).maybe_sent


def test_row_52_gone_switches_off_and_the_owner_hears_by_mail(yard: Yard) -> None:
    hook = Hook(reply=lambda _: answer("410 Gone"))
    person = yard.person()
    mail = yard.address("email", "ada@example.net", person_id=person)
    with Receiver(hook.script) as receiver:
        address = yard.address("webhook", receiver.url, person_id=person)
        first, second = yard.message(address), yard.message(address)
        yard.deliver()
        yard.deliver(later=timedelta(minutes=1))
    assert yard.address_row(address).off_reason == "the receiver said that it wants no more"
    assert {yard.status(first), yard.status(second)} <= {Status.FAILED, Status.SUPPRESSED}
    assert ("endpoint_off", mail) in yard.notices()
    (letter,) = (yard.duskbell.settings.outbox).glob("*.eml")
    assert "switched off" in letter.read_text()


def test_a_receiver_that_fails_is_told_of_after_four_attempts_and_off_after_five_days(yard: Yard) -> None:
    hook = Hook(reply=lambda _: answer("404 Not Found"))
    person = yard.person()
    mail = yard.address("email", "ada@example.net", person_id=person)
    with Receiver(hook.script) as receiver:
        address = yard.address("webhook", receiver.url, person_id=person)
        for _ in range(3):
            yard.message(address, helps_for=6 * DAY)
        for _ in range(4):
            yard.deliver(later=timedelta(minutes=5))
        assert yard.notices() == [("endpoint_failing", mail)]
        for _ in range(6):
            yard.message(address, helps_for=6 * DAY)
            yard.deliver(later=DAY)
    assert yard.address_row(address).off_reason == "it took nothing for five days"
    assert yard.notices() == [("endpoint_failing", mail), ("endpoint_off", mail)]


def test_one_success_ends_a_failing_spell(yard: Yard) -> None:
    hook = Hook(reply=lambda number: answer("204 No Content" if number % 3 == 0 else "500 Oops"))
    with Receiver(hook.script) as receiver:
        address = yard.address("webhook", receiver.url)
        for _ in range(24):
            yard.message(address, helps_for=DAY)
            yard.deliver(later=timedelta(hours=8))
    assert yard.address_row(address).off_since is None
    assert yard.troubles() == set()


def test_without_another_address_the_operator_hears_of_it(yard: Yard) -> None:
    hook = Hook(reply=lambda _: answer("410 Gone"))
    with Receiver(hook.script) as receiver:
        address = yard.address("webhook", receiver.url)
        yard.message(address)
        yard.deliver()
    assert yard.troubles() == {f"address {address}"}
    assert yard.notices() == []


def test_row_53_a_redirect_to_a_private_place_is_not_followed(yard: Yard) -> None:
    hidden, hook = Hook(), Hook()
    with Receiver(hidden.script) as inside, Receiver(hook.script) as receiver:
        hook.reply = lambda _: answer("302 Found", b"", f"Location: {inside.url}")
        message_id = yard.message(yard.address("webhook", receiver.url))
        assert yard.deliver() == {Status.FAILED: 1}
        assert inside.connections == 0
    assert "final address" in (yard.row(message_id).note or "")


@pytest.mark.parametrize(
    "url",
    [
        "https://10.0.0.7/hook", "https://169.254.169.254/latest/", "https://2130706433/", "https://[::1]/",
        "https://user:pw@example.org/", "http://example.org/", "https://[64:ff9b::7f00:1]/",
    ],
)  # fmt: skip
def test_row_54_an_address_that_was_stored_before_is_checked_again_when_it_is_called(
    url: str, yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_call(*_: object) -> None:
        raise AssertionError("nothing may be called")

    monkeypatch.setattr("socket.socket.connect", no_call)
    message_id = yard.message(yard.address("webhook", url))
    assert yard.deliver() == {Status.FAILED: 1}
    assert yard.codes(message_id) == ["blocked"]
    assert yard.duskbell.delivery.metrics.registry.get_sample_value("duskbell_ssrf_blocked_total") == 1


def test_row_55_a_name_that_turned_private_since_is_not_called(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []

    def lookup(host: str, port: int, **_: object) -> list[object]:
        asked.append(host)
        return [(2, 1, 6, "", ("1.1.1.1", port)), (2, 1, 6, "", ("10.0.0.7", port))]

    monkeypatch.setattr("socket.getaddrinfo", lookup)
    message_id = yard.message(yard.address("webhook", "https://rebind.example/hook"))
    assert yard.deliver() == {Status.FAILED: 1}
    assert (yard.codes(message_id), asked) == (["blocked"], ["rebind.example"])


def test_row_56_a_proxy_in_the_environment_is_not_used(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    proxy, hook = Hook(), Hook()
    with Receiver(proxy.script) as between, Receiver(hook.script) as receiver:
        for name in ("HTTP_PROXY", "http_proxy", "ALL_PROXY", "all_proxy"):
            monkeypatch.setenv(name, f"http://{between.place}")
        yard.message(yard.address("webhook", receiver.url))
        assert yard.deliver() == {Status.SENT: 1}
    assert (len(hook.heard), len(proxy.heard)) == (1, 0)


def test_a_cut_answer_is_tried_on_since_the_receiver_drops_the_repeat(yard: Yard) -> None:
    hook = Hook(
        reply=lambda number: (
            b"HTTP/1.1 200 OK\r\nContent-Length: 50\r\n\r\ncut" if number == 1 else answer("200 OK")
        )
    )
    with Receiver(hook.script) as receiver:
        message_id = yard.message(yard.address("webhook", receiver.url))
        assert yard.deliver() == {Status.RETRY: 1}
        assert yard.row(message_id).maybe_sent
        assert yard.deliver(later=timedelta(seconds=15)) == {Status.SENT: 1}
    assert hook.ids == {message_id: 2}


def test_a_stand_down_still_follows_a_go_that_may_have_arrived_and_was_overtaken(yard: Yard) -> None:
    hook = Hook(reply=lambda number: b"" if number == 1 else answer("200 OK"))
    with Receiver(hook.script) as receiver:
        address = yard.address("webhook", receiver.url)
        subscription = yard.subscription(address)
        go = yard.message(address, subscription_id=subscription)
        assert yard.deliver() == {Status.RETRY: 1}
        decision = yard.decide(subscription, "stay", 20)
        alert = yard.alert(subscription, decision, AlertKind.STAND_DOWN, helps_for=timedelta(hours=6))
        down = _enqueue(yard, address, alert)
        counts = yard.deliver(later=timedelta(minutes=1))
    assert counts == {Status.SUPERSEDED: 1, Status.SENT: 1}
    assert (yard.status(go), yard.status(down)) == (Status.SUPERSEDED, Status.SENT)


def _enqueue(yard: Yard, address_id: int, alert: object) -> str:
    with yard.sessions.begin() as session:
        row = enqueue(session, address_id, [alert], created_at=yard.wall, due_at=yard.wall)  # type: ignore[list-item]
        return row.id


@pytest.mark.parametrize(
    ("kind", "rings_at"),
    [(AlertKind.HEADS_UP, "07:00"), (AlertKind.GO, "00:30")],
)
def test_quiet_hours_hold_what_can_wait_and_nothing_else(kind: AlertKind, rings_at: str, yard: Yard) -> None:
    """A message that was delayed into the night: 00:30 in Madrid, quiet until 07:00, one leaves at 02:00."""
    yard.wall = NOW + timedelta(hours=7, minutes=30)
    hook = Hook()
    with Receiver(hook.script) as receiver:
        address = yard.address("webhook", receiver.url)
        leave_by = (NOW + timedelta(hours=9)).isoformat()
        message_id = yard.message(address, kind, helps_for=DAY, wishes=Wishes(), leave_by=leave_by)
        yard.deliver()
        held = yard.status(message_id) is Status.DUE
        assert (held, len(hook.heard)) == ((True, 0) if rings_at == "07:00" else (False, 1))
        yard.deliver(later=timedelta(hours=6, minutes=29))
        assert len(hook.heard) == (0 if held else 1)
        yard.deliver(later=timedelta(minutes=1))
    assert hook.ids == {message_id: 1}
    assert yard.row(message_id).attempts == 1


def test_a_stand_down_rings_in_quiet_hours(yard: Yard) -> None:
    """Someone may be driving there: 00:30 in Madrid, quiet until 07:00."""
    hook = Hook()
    with Receiver(hook.script) as receiver:
        address = yard.address("webhook", receiver.url)
        subscription = yard.subscription(address, wishes=Wishes())
        go = yard.message(address, subscription_id=subscription, helps_for=DAY)
        assert yard.deliver() == {Status.SENT: 1}
        yard.wall = NOW + timedelta(hours=7, minutes=30)
        decision = yard.decide(subscription, "stay", 20)
        alert = yard.alert(subscription, decision, AlertKind.STAND_DOWN, helps_for=timedelta(hours=6))
        down = _enqueue(yard, address, alert)
        assert yard.deliver() == {Status.SENT: 1}
    assert hook.ids == {go: 1, down: 1}
