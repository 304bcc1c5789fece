"""Mail through the whole stage, with real SMTP servers: rows 44 to 50 and 57 of tests/FAULTS.md."""

from __future__ import annotations

import email
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from email.message import EmailMessage
from email.policy import default
from typing import Any, Literal

import pytest

from alerts.briefing import render
from service.channels import email as channel
from service.channels.email import MailServer
from service.runtime.maintenance_jobs import build_watch
from service.store.repositories.messages import Status
from tests.integration.channels.channel_receivers import Receiver, Talk
from tests.integration.channels.mail_relays import Relay, running
from tests.integration.conftest import OpenYard
from tests.integration.delivery.receivers import Hook
from tests.integration.delivery.yard import Yard

ADA, BOB = "ada@example.net", "bob@example.net"


def letter(content: bytes) -> EmailMessage:
    mail = email.message_from_bytes(content, policy=default)
    assert isinstance(mail, EmailMessage)
    return mail


@pytest.mark.parametrize(
    "reply",
    ["421 4.3.2 shutting down", "450 4.2.0 greylisted", "451 4.7.1 try later", "452 4.2.2 mailbox full"],
)
def test_row_44_a_passing_refusal_is_tried_again_until_it_is_taken(reply: str, new_yard: OpenYard) -> None:
    relay = Relay(recipient=reply)
    with running(relay) as server, new_yard(relay=server) as yard:
        message_id = yard.message(yard.address("email", ADA))
        assert yard.deliver() == {Status.RETRY: 1}
        assert yard.deliver(later=timedelta(seconds=90)) == {}
        relay.replies["recipient"] = ""
        assert yard.deliver(later=timedelta(seconds=60)) == {Status.SENT: 1}
        assert [code and code[:3] for code in yard.codes(message_id)] == [reply[:3], "250"]
    ((_, _, content),) = relay.taken
    assert letter(content)["Message-ID"] == f"<{message_id}@example.org>"


def test_row_45_two_mails_to_a_mailbox_that_is_not_there_end_the_writing_to_it(new_yard: OpenYard) -> None:
    hook = Hook()
    relay = Relay(recipient="550 5.1.1 no such user")
    with running(relay) as server, new_yard(relay=server) as yard, Receiver(hook.script) as receiver:
        person = yard.person()
        address = yard.address("email", ADA, person_id=person)
        chat = yard.address("webhook", receiver.url, person_id=person)
        first = yard.message(address)
        assert yard.deliver() == {Status.FAILED: 1}
        assert yard.address_row(address).off_since is None
        second = yard.message(address)
        yard.deliver(later=timedelta(minutes=1))
        third = yard.message(address)
        assert yard.deliver(later=timedelta(minutes=1))[Status.SUPPRESSED] == 1
        assert yard.address_row(address).off_reason == "mail to it comes back"
        assert ("endpoint_off", chat) in yard.notices()
        assert [yard.status(each) for each in (first, second, third)] == ["failed", "failed", "suppressed"]
    assert b"notice.endpoint_off" in hook.heard[0][1]


@pytest.mark.parametrize(
    ("step", "reply"),
    [
        ("recipient", "550 5.7.1 spam"),
        ("recipient", "550 5.7.515 not authenticated"),
        ("recipient", "550 5.1.8 sender's domain not found"),
        ("sender", "550 5.7.1 you may not send"),
        ("sender", "553 5.1.8 bad sender domain"),
        ("sender", "501 no such command"),
        ("data", "554 5.7.1 spam"),
    ],
)
def test_rows_45_and_128_a_refusal_of_us_keeps_what_waits_and_is_told_to_the_operator(
    step: str, reply: str, new_yard: OpenYard
) -> None:
    relay = Relay(**{step: reply})
    with running(relay) as server, new_yard(relay=server) as yard:
        address = yard.address("email", ADA)
        made = [yard.message(address, helps_for=timedelta(hours=9)) for _ in range(3)]
        for minutes in (0, 3, 10, 20, 40):
            yard.deliver(later=timedelta(minutes=minutes))
        assert {yard.status(each) for each in made} == {Status.RETRY}
        assert yard.address_row(address).off_since is None
        assert yard.troubles() == {"refused"}
        relay.replies = {"sender": "", "recipient": "", "data": ""}
        for _ in range(3):
            yard.deliver(later=timedelta(hours=2))
        assert {yard.status(each) for each in made} == {Status.SENT}


def test_row_128_a_message_that_is_refused_for_us_ends_when_it_no_longer_helps(new_yard: OpenYard) -> None:
    with running(Relay(sender="550 5.7.1 you may not send")) as server, new_yard(relay=server) as yard:
        made = yard.message(yard.address("email", ADA), helps_for=timedelta(hours=1))
        for _ in range(8):
            yard.deliver(later=timedelta(minutes=10))
        assert yard.status(made) is Status.FAILED, "the next try would come too late"
        assert len(yard.codes(made)) >= 3


@pytest.mark.parametrize(
    ("step", "reply", "status", "is_counted"),
    [
        ("recipient", "550 5.1.1 no such user", Status.FAILED, True),
        ("recipient", "550 no such user", Status.FAILED, True),
        ("recipient", "552 5.2.2 mailbox full", Status.RETRY, False),
        ("recipient", "554 5.4.6 loops", Status.RETRY, False),
        ("data", "554 5.6.0 no", Status.FAILED, False),
        ("data", "550 no", Status.FAILED, False),
        ("data", "552 5.3.4 too big", Status.FAILED, False),
    ],
)
def test_row_129_only_what_speaks_of_the_mailbox_counts_against_the_address(
    step: str, reply: str, status: Status, is_counted: bool, new_yard: OpenYard
) -> None:
    with running(Relay(**{step: reply})) as server, new_yard(relay=server) as yard:
        address = yard.address("email", ADA)
        for _ in range(3):
            made = yard.message(address)
            if not is_counted or yard.address_row(address).off_since is None:
                yard.deliver(later=timedelta(minutes=1))
                assert yard.status(made) is status
        assert (yard.address_row(address).off_since is not None) is is_counted


def test_row_129_recipients_that_are_refused_for_us_do_not_stop_the_mail_of_others(
    new_yard: OpenYard,
) -> None:
    with running(Relay(recipient="550 5.7.1 not from there")) as server, new_yard(relay=server) as yard:
        for number in range(8):
            yard.message(yard.address("email", f"ada@bad{number}.example"))
        good = yard.message(yard.address("email", BOB))
        yard.deliver()
        assert yard.status(good) is Status.SENT
        later = yard.message(yard.address("email", "carol@example.net"))
        yard.deliver(later=timedelta(hours=1))
        assert yard.status(later) is Status.SENT


def taking(after_data: Callable[[Talk], None], heard: list[bytes]) -> Callable[[Talk], None]:
    """A server that goes along up to the end of the data, and keeps the data."""

    def script(talk: Talk) -> None:
        talk.say(b"220 relay.example ESMTP\r\n")
        while (line := talk.hear().strip().upper()) != b"":
            if line == b"DATA":
                talk.say(b"354 go on\r\n")
                content = b""
                while (part := talk.hear()) != b".\r\n":
                    content += part
                heard.append(content)
                after_data(talk)
                return
            talk.say(b"250 OK\r\n")

    return script


def server_at(receiver: Receiver, **options: Any) -> MailServer:
    return MailServer(host="127.0.0.1", port=receiver.port, security="none", **options)


def test_row_46_a_drop_after_the_data_is_tried_once_more_under_the_same_message_id(
    new_yard: OpenYard,
) -> None:
    heard: list[bytes] = []
    with Receiver(taking(Talk.hang_up, heard)) as receiver, new_yard(relay=server_at(receiver)) as yard:
        message_id = yard.message(yard.address("email", ADA))
        assert yard.deliver() == {Status.RETRY: 1}
        assert yard.deliver(later=timedelta(minutes=3)) == {Status.FAILED: 1}
        assert yard.deliver(later=timedelta(minutes=30)) == {}
        assert yard.row(message_id).maybe_sent
    assert {letter(content)["Message-ID"] for content in heard} == {f"<{message_id}@example.org>"}
    assert len(heard) == 2


def take_and_hang_up(talk: Talk) -> None:
    talk.say(b"250 2.0.0 taken\r\n")
    talk.hang_up()


def test_row_47_taken_and_gone_without_goodbye_is_sent(
    new_yard: OpenYard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(channel, "QUIT_TIMEOUT_S", 0.2)
    heard: list[bytes] = []
    with Receiver(taking(take_and_hang_up, heard)) as receiver, new_yard(relay=server_at(receiver)) as yard:
        message_id = yard.message(yard.address("email", ADA))
        assert yard.deliver() == {Status.SENT: 1}
        assert yard.deliver(later=timedelta(hours=1)) == {}
        assert yard.codes(message_id) == ["250"]
    assert len(heard) == 1


def test_row_48_a_relay_that_drips_is_cut_and_webhooks_go_on_meanwhile(new_yard: OpenYard) -> None:
    hook = Hook()

    def drip(talk: Talk) -> None:
        talk.drip(b"220 " + b"y" * 5000)

    with (
        Receiver(drip) as relay,
        Receiver(hook.script) as receiver,
        new_yard(relay=server_at(relay, whole_timeout_s=0.6)) as yard,
    ):
        mail = yard.message(yard.address("email", ADA))
        yard.message(yard.address("webhook", receiver.url))
        assert yard.deliver() == {Status.RETRY: 1, Status.SENT: 1}
        assert yard.codes(mail) == ["timeout"]
        assert not yard.row(mail).maybe_sent


def refuse_login(talk: Talk) -> None:
    talk.say(b"220 relay.example ESMTP\r\n")
    while (line := talk.hear().strip().upper()) != b"":
        if line.startswith(b"EHLO"):
            talk.say(b"250-relay.example\r\n250 AUTH PLAIN LOGIN\r\n")
        else:
            talk.say(b"535 5.7.8 login no longer valid\r\n")


@pytest.mark.parametrize("security", ["none", "starttls"], ids=["login revoked", "STARTTLS missing"])
def test_row_49_a_relay_that_lets_us_in_no_more_stops_the_mail_and_is_a_trouble(
    security: Literal["none", "starttls"], new_yard: OpenYard
) -> None:
    with Receiver(refuse_login) as receiver:
        server = replace(server_at(receiver, user="bell", password="old"), security=security)
        with new_yard(relay=server) as yard:
            for number in range(12):
                yard.message(yard.address("email", f"p{number}@example.net"))
            yard.deliver()
            tried = receiver.connections
            assert 5 <= tried <= 8
            yard.deliver(later=timedelta(minutes=3))
            assert receiver.connections == tried
            assert set(_lasting(yard)) == {"mail"}
            assert yard.troubles() == ({"refused"} if security == "none" else set())
            assert all(yard.address_row(each + 1).off_since is None for each in range(12))


def _lasting(yard: Yard) -> dict[str, str]:
    with yard.sessions() as session:
        return build_watch(yard.duskbell).find_lasting(session, yard.wall)


def test_row_50_one_bad_recipient_keeps_nobody_else_from_getting_theirs(new_yard: OpenYard) -> None:
    relay = Relay(recipient="550 5.1.1 no such user")
    with running(relay) as server, new_yard(relay=server) as yard:
        yard.message(yard.address("email", ADA))
        for number in range(6):
            yard.message(yard.address("email", f"bob{number}@example.net"))
        assert yard.deliver() == {Status.FAILED: 1, Status.SENT: 6}
    assert all(len(recipients) == 1 for _, recipients, _ in relay.taken)


def test_row_57_a_broken_template_sends_a_plain_text_and_tells_the_operator(
    new_yard: OpenYard, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise TypeError("a filter got a number")

    hook, relay = Hook(), Relay()
    monkeypatch.setattr(render, "cautions_for", broken)
    monkeypatch.setattr("service.delivery.compose.build_payload", broken)
    with running(relay) as server, new_yard(relay=server) as yard, Receiver(hook.script) as receiver:
        mailed = yard.message(yard.address("email", ADA), site_name="Peña <b>Ñ</b>")
        posted = yard.message(yard.address("webhook", receiver.url), site_name="@everyone")
        assert yard.deliver() == {Status.SENT: 2}
        assert yard.troubles() == {"composing"}
        assert "plainest form" in (yard.row(mailed).note or "")
    mail = letter(relay.taken[0][2])
    html, text = mail.get_body(("html",)), mail.get_body(("plain",))
    assert html is not None
    assert text is not None
    assert str(mail["Subject"]).startswith("Go: Peña <b>Ñ</b>, the night of Saturday 3 July")
    assert "<b>" not in html.get_content()
    assert "No more of these messages: https://duskbell.example.org/unsubscribe/" in text.get_content()
    assert b"@everyone" not in hook.heard[0][1]
    assert hook.ids == {posted: 1}


def test_row_57_facts_that_nobody_can_read_any_more_still_say_what_the_row_says(new_yard: OpenYard) -> None:
    relay = Relay()
    with running(relay) as server, new_yard(relay=server) as yard:
        yard.message(yard.address("email", ADA), window="not a span")
        yard.message(yard.address("email", BOB))
        assert yard.deliver() == {Status.SENT: 2}
    subjects = sorted(str(letter(content)["Subject"]) for _, _, content in relay.taken)
    assert any(subject.startswith("Go: Field") for subject in subjects)


def test_row_58_a_name_that_breaks_a_header_breaks_nothing_else(new_yard: OpenYard) -> None:
    relay = Relay()
    with running(relay) as server, new_yard(relay=server) as yard:
        yard.message(yard.address("email", ADA), site_name="x\r\nBcc: eve@example.net")
        yard.message(yard.address("email", BOB))
        assert yard.deliver() == {Status.SENT: 2}
    assert sorted(recipients[0] for _, recipients, _ in relay.taken) == [ADA, BOB]
    assert all(letter(content)["Bcc"] is None for _, _, content in relay.taken)


def test_each_mail_carries_a_link_of_its_reader_that_stays_the_same(new_yard: OpenYard) -> None:
    relay = Relay()
    with running(relay) as server, new_yard(relay=server) as yard:
        ada, bob = yard.address("email", ADA), yard.address("email", BOB)
        for address in (ada, bob, ada):
            yard.message(address)
            yard.deliver(later=timedelta(minutes=1))
    links = [str(letter(content)["List-Unsubscribe"]) for _, _, content in relay.taken]
    assert links[0] == links[2] != links[1]
    assert all(link.startswith("<https://duskbell.example.org/unsubscribe/") for link in links)
    assert all(
        letter(content)["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
        for _, _, content in relay.taken
    )


def test_bounces_come_back_to_the_return_path(new_yard: OpenYard) -> None:
    relay = Relay()
    with running(relay) as server, new_yard(relay=server, mail_return_path="back@example.org") as yard:
        yard.message(yard.address("email", ADA))
        yard.deliver()
    assert relay.taken[0][0] == "back@example.org"
    assert letter(relay.taken[0][2])["From"] == "Duskbell <duskbell@example.org>"
