"""Faults on the way out that are in no older list: rows 67 and on of tests/FAULTS.md."""

from __future__ import annotations

import json
import time
import unicodedata
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from alerts.notifying.model import AlertKind
from service.channels.email import MailServer
from service.delivery import dispatcher
from service.delivery.dispatcher import BackgroundSender
from service.delivery.results import BatchResult, FinishedAttempt, record
from service.runtime.fleet import sending
from service.runtime.fleet.sending import send_batch
from service.store.maintenance import personal_data
from service.store.repositories import messages
from service.store.repositories.messages import Status
from service.store.schema.core_tables import AlertRow, MessageRow, PersonRow, SubscriptionRow
from tests.integration.delivery.child import PATIENCE_S
from tests.integration.delivery.receivers import Hook, Receiver, Talk, answer
from tests.integration.delivery.yard import Yard, open_yard
from tests.integration.queued import enqueue


@pytest.mark.parametrize("status", ["204 No Content", "503 Busy", "410 Gone"])
def test_row_67_somebody_erased_while_a_message_is_under_way_holds_up_nobody_else(
    status: str, both: Yard
) -> None:
    """Nothing is kept of the erased one's message, and what others get is recorded as ever."""
    person = both.person(name="Ada Byron")

    class Erasing(Hook):
        def serve(self, talk: Talk, number: int) -> None:
            with both.sessions.begin() as session:
                row = session.get_one(PersonRow, person)
                personal_data.erase(session, both.duskbell.keys, row, both.wall)
            super().serve(talk, number)

    erasing, quick = Erasing(reply=lambda _: answer(status)), Hook()
    with Receiver(erasing.script) as first, Receiver(quick.script) as second:
        gone = both.message(both.address("webhook", first.url, person_id=person))
        other = both.message(both.address("webhook", second.url))
        assert both.deliver()[Status.SENT] == 1
        assert both.deliver() == {}
    assert erasing.ids == {gone: 1}
    assert both.status(other) is Status.SENT
    with both.sessions() as session:
        assert session.get(MessageRow, gone) is None
    assert both.codes(gone) == []


HOSTILE_ANSWERS = {
    "NUL": b"no\x00thing",
    "no text at all": bytes(range(256)),
    "half a character": "Ñ".encode()[:1],
    "controls that a terminal obeys": b"\x1b[2J\x1b]0;x\x07\r\nfake log line",
    "written right to left": "\u202egnp.exe".encode(),
    "sixty kilobytes": b"x" * 60_000,
}


@pytest.mark.parametrize("said", HOSTILE_ANSWERS.values(), ids=HOSTILE_ANSWERS)
@pytest.mark.parametrize("status", ["200 OK", "503 Busy"])
def test_row_68_whatever_a_receiver_answers_can_be_kept(status: str, said: bytes, both: Yard) -> None:
    strange, quick = Hook(reply=lambda _: answer(status, said)), Hook()
    with Receiver(strange.script) as first, Receiver(quick.script) as second:
        odd = both.message(both.address("webhook", first.url))
        other = both.message(both.address("webhook", second.url))
        assert both.deliver()[Status.SENT] == (2 if status == "200 OK" else 1)
    assert both.codes(odd) == [status[:3]]
    assert is_seen_as_it_is(kept(both, odd))
    assert both.status(other) is Status.SENT


def test_row_68_an_answer_that_is_no_http_can_be_kept(both: Yard) -> None:
    hook = Hook(reply=lambda _: b"HTTP/1.1 2\x000 \x1b[2J\r\n\r\n")
    with Receiver(hook.script) as receiver:
        message_id = both.message(both.address("webhook", receiver.url))
        assert both.deliver() == {Status.RETRY: 1}
    assert both.codes(message_id) == ["broken"]
    assert is_seen_as_it_is(kept(both, message_id))


def test_row_68_what_a_mail_server_answers_can_be_kept(tmp_path: Path, ready_url: str) -> None:
    def refuse(talk: Talk) -> None:
        talk.say(b"220 relay\x00.example\r\n")
        while talk.hear():
            talk.say(b"451 4.7.1 lat\x00er \x1b[2J\r\n")

    with Receiver(refuse) as receiver:
        relay = MailServer(host="127.0.0.1", port=receiver.port, security="none")
        with open_yard(tmp_path, ready_url, relay=relay) as yard:
            message_id = yard.message(yard.address("email", "ada@example.net"))
            assert yard.deliver() == {Status.RETRY: 1}
            assert is_seen_as_it_is(kept(yard, message_id))


def by_the_round(yard: Yard, _: list[str]) -> None:
    yard.deliver()


def by_a_batch(yard: Yard, message_ids: list[str]) -> None:
    send_batch(yard.duskbell.delivery, "127.0.0.1", message_ids)


@pytest.mark.parametrize("refusal", [DataError, IntegrityError])
@pytest.mark.parametrize("send", [by_the_round, by_a_batch])
@pytest.mark.parametrize("status", ["200 OK", "503 Busy"])
def test_row_71_an_attempt_that_can_not_be_stored_keeps_no_other_from_being_recorded(
    status: str,
    send: Callable[[Yard, list[str]], None],
    refusal: type[DBAPIError],
    yard: Yard,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whatever it is that the database refuses about it."""

    def picky(session: Session, finished: Sequence[FinishedAttempt], *rest: Any, **named: Any) -> BatchResult:
        if any("poison" in sent.result.text for sent in finished):
            raise refusal("INSERT", {}, ValueError("not in this column"))
        return record(session, finished, *rest, **named)

    monkeypatch.setattr(dispatcher, "record", picky)
    monkeypatch.setattr(sending, "record", picky)
    odd_hook, hook = Hook(reply=lambda _: answer(status, b"poison")), Hook()
    with Receiver(odd_hook.script) as first, Receiver(hook.script) as second:
        odd = yard.message(yard.address("webhook", first.url))
        others = [yard.message(yard.address("webhook", second.url)) for _ in range(3)]
        send(yard, [odd, *others])
    assert {yard.status(each) for each in others} == {Status.SENT}
    assert yard.status(odd) is (Status.SENT if status == "200 OK" else Status.RETRY)
    assert yard.codes(odd) == [status[:3]]
    assert "can't be stored" in kept(yard, odd)
    assert hook.ids == Counter(others)
    assert odd_hook.ids == {odd: 1}


def test_row_72_a_postman_that_dies_of_something_unforeseen_is_followed_by_another(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    died: list[type[BaseException]] = []
    monkeypatch.setattr("threading.excepthook", lambda args: died.append(args.exc_type))
    monkeypatch.setattr(dispatcher.DispatchRound, "run", _fall_over)
    carrier = BackgroundSender(yard.duskbell.delivery)
    carrier.start()
    assert carrier.join(PATIENCE_S)
    assert died == [ZeroDivisionError]
    monkeypatch.undo()
    hook = Hook()
    with Receiver(hook.script) as receiver:
        message_id = yard.message(yard.address("webhook", receiver.url))
        carrier.start()
        ends_s = time.monotonic() + PATIENCE_S
        while yard.status(message_id) is not Status.SENT:
            assert time.monotonic() < ends_s
            time.sleep(0.02)
        yard.duskbell.delivery.stopping.set()
        yard.duskbell.delivery.nudge.set()
        assert carrier.join(PATIENCE_S)
    assert hook.ids == {message_id: 1}


def _fall_over(_: dispatcher.DispatchRound) -> dict[str, int]:
    raise ZeroDivisionError


def test_row_74_more_sites_than_a_webhook_can_carry_still_make_a_message(yard: Yard) -> None:
    hook = Hook()
    with Receiver(hook.script) as receiver:
        address = yard.address("webhook", receiver.url)
        alerts = []
        for _ in range(60):
            subscription = yard.subscription(address)
            decided = yard.decide(subscription)
            alerts.append(yard.alert(subscription, decided, AlertKind.GO, helps_for=timedelta(hours=6)))
        with yard.sessions.begin() as session:
            enqueue(session, address, alerts, created_at=yard.wall, due_at=yard.wall)
        assert yard.deliver() == {Status.SENT: 1}
    ((_, body),) = hook.heard
    said = json.loads(body)["data"]
    assert len(body) <= 20_000
    assert len(said["alerts"]) + said["alerts_left_out"] == 60
    assert said["alerts"]


@pytest.mark.parametrize(
    ("channel", "target", "says"),
    [("pigeon", "loft 3", "no channel named"), ("named", "club", "no target named")],
    ids=["its channel is gone", "its target is gone from the settings"],
)
def test_row_75_an_address_whose_way_is_gone_fails_in_words_and_alone(
    channel: str, target: str, says: str, yard: Yard
) -> None:
    hook = Hook()
    with Receiver(hook.script) as receiver:
        lost = yard.message(yard.address(channel, target))
        other = yard.message(yard.address("webhook", receiver.url))
        assert yard.deliver() == {Status.FAILED: 1, Status.SENT: 1}
    assert says in (yard.row(lost).note or "")
    assert hook.ids == {other: 1}


def damage_wishes(session: Session, alert: AlertRow) -> None:
    subscription = session.get_one(SubscriptionRow, alert.subscription_id)
    subscription.wishes = {"quiet": 7, "units": "furlongs"}


def damage_facts(_: Session, alert: AlertRow) -> None:
    alert.facts = ["not", "a", "table"]  # type: ignore[assignment]


def damage_kind(_: Session, alert: AlertRow) -> None:
    alert.kind = "of a later version"


@pytest.mark.parametrize("damage", [damage_wishes, damage_facts, damage_kind])
def test_row_76_a_damaged_row_fails_alone_and_the_operator_hears_of_it(
    damage: Callable[[Session, AlertRow], None], both: Yard
) -> None:
    hook = Hook()
    with Receiver(hook.script) as receiver:
        address = both.address("webhook", receiver.url)
        damaged, other = both.message(address), both.message(address)
        with both.sessions.begin() as session:
            ((_, alert),) = messages.carried_by(session, [damaged])[damaged]
            damage(session, alert)
        assert both.deliver() == {Status.FAILED: 1, Status.SENT: 1}
    assert both.row(damaged).note == "what is stored of it can't be read"
    assert both.troubles() == {"unreadable"}
    assert hook.ids == {other: 1}


def test_row_76_a_notice_that_a_later_version_wrote_fails_alone(both: Yard) -> None:
    hook = Hook()
    with Receiver(hook.script) as receiver:
        address = both.address("webhook", receiver.url)
        with both.sessions.begin() as session:
            later = messages.NewNotice("of a later version", {}, both.wall + timedelta(hours=1))
            row = messages.enqueue_notice(session, address, later, created_at=both.wall, due_at=both.wall)
            strange = row.id
        other = both.message(address)
        assert both.deliver() == {Status.FAILED: 1, Status.SENT: 1}
    assert both.row(strange).note == "what is stored of it can't be read"
    assert hook.ids == {other: 1}


def kept(yard: Yard, message_id: str) -> str:
    """All that is stored of what was answered."""
    with yard.sessions() as session:
        answers = [attempt.answer or "" for attempt in messages.find_attempts(session, message_id)]
    return " ".join([*answers, yard.row(message_id).note or ""])


def is_seen_as_it_is(text: str) -> bool:
    return len(text) < 1200 and not any(unicodedata.category(char) in {"Cc", "Cf"} for char in text)
