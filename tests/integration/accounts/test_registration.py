"""A receiver proves that it wants messages: by its answer, by a code that somebody reads, or by word."""

from __future__ import annotations

import json
import re

import pytest

from alerts.common.errors import BadInput
from service.accounts import receivers
from service.store.repositories.messages import Status
from service.store.schema.core_tables import PersonRow
from tests.integration.delivery.receivers import Hook, Receiver, answer
from tests.integration.delivery.yard import Yard


class Echo(Hook):
    """A program that answers a test with its code, as JSON or plain."""

    def __init__(self, *, as_json: bool = True) -> None:
        super().__init__()
        self.reply = lambda _: answer("200 OK", self._answer(as_json))

    def _answer(self, as_json: bool) -> bytes:
        code = str(json.loads(self.heard[-1][1])["data"].get("challenge", ""))
        return json.dumps({"challenge": code}).encode() if as_json else code.encode()


def register(yard: Yard, url: str, *, channel: str = "webhook") -> int:
    person = yard.person()
    with yard.sessions.begin() as session:
        row = receivers.register(
            session,
            yard.duskbell.channels[channel],
            session.get_one(PersonRow, person),
            receivers.NewReceiver(channel, url),
            yard.wall,
        )
        return row.id


def send_test(yard: Yard, address_id: int, *, network: str | None = None) -> receivers.Tested:
    duskbell = yard.duskbell
    return receivers.send_test(
        yard.sessions, duskbell.channels, duskbell.keys, address_id, now=yard.wall, network=network
    )


@pytest.mark.parametrize("as_json", [True, False])
def test_a_program_that_answers_with_the_code_is_confirmed(as_json: bool, yard: Yard) -> None:
    hook = Echo(as_json=as_json)
    with Receiver(hook.script) as receiver:
        address = register(yard, receiver.url)
        assert send_test(yard, address).confirmed
        yard.message(address)
        assert yard.deliver() == {Status.SENT: 1}
    said = json.loads(hook.heard[0][1])
    assert said["type"] == "notice.test"


@pytest.mark.parametrize("reply", [answer("200 OK"), answer("200 OK", b"ok"), answer("204 No Content")])
def test_a_receiver_that_only_says_yes_is_not_confirmed_and_gets_nothing(reply: bytes, yard: Yard) -> None:
    hook = Hook(reply=lambda _: reply)
    with Receiver(hook.script) as receiver:
        address = register(yard, receiver.url)
        tested = send_test(yard, address)
        assert (tested.arrived, tested.confirmed) == (True, False)
        yard.message(address)
        assert yard.deliver() == {Status.SUPPRESSED: 1}
    assert len(hook.heard) == 1


def test_in_a_chat_somebody_reads_the_code_and_types_it(yard: Yard) -> None:
    hook = Hook(reply=lambda _: answer("200 OK", b"ok"))
    with Receiver(hook.script) as receiver:
        address = register(yard, receiver.url, channel="text")
        send_test(yard, address)
    said = json.loads(hook.heard[0][1])["text"]
    code = re.search(r"Code: (\w+)", said)
    assert code is not None
    with yard.sessions.begin() as session:
        assert not receivers.confirm_by_code(session, address, "wrong", yard.wall)
        assert not receivers.confirm_by_code(session, address + 1, code[1], yard.wall)
        assert receivers.confirm_by_code(session, address, f" {code[1]} ", yard.wall)
        assert not receivers.confirm_by_code(session, address, code[1], yard.wall)
    assert yard.address_row(address).confirmed_at == yard.wall


def test_a_receiver_that_fails_is_told_in_words_and_not_tried_again(yard: Yard) -> None:
    hook = Hook(reply=lambda _: answer("503 Busy"))
    with Receiver(hook.script) as receiver:
        tested = send_test(yard, register(yard, receiver.url))
    assert (tested.arrived, tested.confirmed) == (False, False)
    assert "503" in tested.text
    assert len(hook.heard) == 1
    assert yard.deliver() == {}


def test_tests_are_limited_for_strangers_by_the_host_they_aim_at(yard: Yard) -> None:
    hook = Hook()
    with Receiver(hook.script) as receiver:
        address = register(yard, receiver.url)
        for number in range(10):
            send_test(yard, address, network=f"192.0.2.{number}")
        with pytest.raises(BadInput, match="wait an hour"):
            send_test(yard, address, network="192.0.2.99")
    assert len(hook.heard) == 10


@pytest.mark.parametrize(
    ("channel", "url", "says"),
    [
        ("webhook", "https://10.0.0.7/x", "public internet"),
        ("webhook", "https://user:pw@example.org/", "user name"),
        ("telegram", "https://api.telegram.org/bot1:a/sendMessage", "chat_id"),
        (
            "matrix",
            "https://m.example.org/_matrix/client/v3/rooms/!a:b/send/m.room.message",
            "access token",
        ),
        ("named", "club", "named_targets"),
    ],
)
def test_an_address_that_can_not_be_called_is_refused_when_it_is_given(
    channel: str, url: str, says: str, yard: Yard
) -> None:
    with pytest.raises(BadInput, match=says):
        register(yard, url, channel=channel)
