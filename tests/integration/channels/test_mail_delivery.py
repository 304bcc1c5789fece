"""Mail through real SMTP servers: every reply read right, every break told from a success."""

from __future__ import annotations

import email
import re
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from email.message import EmailMessage
from email.policy import default
from typing import Any

import pytest
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from alerts.briefing.facts import MailParts
from service.channels import email as channel
from service.channels.email import Email, MailServer
from service.channels.model import ChannelError, Outgoing, SendResult
from tests.integration.channels.channel_receivers import AUTHORITY, DATA, Receiver, Script, Talk
from tests.integration.channels.mail_relays import Relay, running

MAIL = MailParts("Go tonight: Peña, leave by 19:40", "81 %\n.\n..two\n", "<p>81 %</p>")


def outgoing(address: str = "ada@example.net") -> Outgoing:
    return Outgoing(
        message_id="msg_0123456789abcdefghjkmnpqrs",
        address=address,
        attempted_at=datetime.now(UTC),
        mail=MAIL,
    )


def send(server: MailServer, message: Outgoing | None = None) -> SendResult:
    return Email(server, "duskbell@example.org").send(message or outgoing())


def failure(server: MailServer, message: Outgoing | None = None) -> ChannelError:
    with pytest.raises(ChannelError) as caught:
        send(server, message)
    return caught.value


def facts(error: ChannelError) -> tuple[str, bool, bool, bool]:
    return error.code, error.permanent, error.maybe_sent, error.ours


def test_mail_arrives_whole_for_one_recipient() -> None:
    relay = Relay()
    with running(relay) as server:
        result = send(server)
    ((sender, recipients, content),) = relay.taken
    assert (result.code, result.text) == ("250", "2.0.0 taken as 12345")
    assert (sender, recipients) == ("duskbell@example.org", ["ada@example.net"])
    mail = email.message_from_bytes(content, policy=default)
    assert isinstance(mail, EmailMessage)
    assert mail["Message-ID"] == "<msg_0123456789abcdefghjkmnpqrs@example.org>"
    text = mail.get_body(("plain",))
    assert text is not None
    assert text.get_content().splitlines() == ["81 %", ".", "..two"]


@pytest.mark.parametrize("end", ["\n.\n", "\r.\r", "\r\n.\r\n", "\n.\r\n", "\r\n.\r", "\r.\n"], ids=repr)
def test_row_73_a_text_that_imitates_the_end_of_a_mail_stays_inside_it(end: str) -> None:
    """Servers differ in which line ends they take for the end of the data (RFC 5321, 4.1.1.4)."""
    smuggled = f"note{end}MAIL FROM:<eve@example.net>{end}RCPT TO:<bob@example.net>{end}DATA{end}"
    relay = Relay()
    with running(relay) as server:
        send(server, replace(outgoing(), mail=MailParts("Go", smuggled, f"<p>{smuggled}</p>")))
    ((sender, recipients, content),) = relay.taken
    assert (sender, recipients) == ("duskbell@example.org", ["ada@example.net"])
    assert re.search(rb"(?<!\r)\n|\r(?!\n)", content) is None
    mail = email.message_from_bytes(content, policy=default)
    assert isinstance(mail, EmailMessage)
    text = mail.get_body(("plain",))
    assert text is not None
    assert "MAIL FROM:<eve@example.net>" in text.get_content()


@pytest.mark.parametrize(
    ("reply", "code", "permanent", "ours"),
    [
        ("421 4.3.2 shutting down", "421 4.3.2", False, False),
        ("450 4.2.0 greylisted, come back", "450 4.2.0", False, False),
        ("451 4.7.1 greylisted, try again later", "451 4.7.1", False, False),
        ("451 later", "451", False, False),
        ("452 4.2.2 mailbox full", "452 4.2.2", False, False),
        ("550 5.1.1 no such user", "550 5.1.1", True, False),
        ("550 no such user", "550", True, False),
        ("550 5.7.515 access denied, sender not authenticated", "550 5.7.515", False, False),
        ("554 5.7.1 spam", "554 5.7.1", False, False),
        ("530 5.7.0 authentication required", "530 5.7.0", False, True),
    ],
    ids=lambda value: value if isinstance(value, str) and " " in value else None,
)
def test_reply_to_the_recipient_is_read_right(reply: str, code: str, permanent: bool, ours: bool) -> None:
    with running(Relay(recipient=reply)) as server:
        assert facts(failure(server)) == (code, permanent, False, ours)


@pytest.mark.parametrize(
    ("reply", "expected"),
    [
        ("550 5.7.1 you may not send", ("550 5.7.1", False, False, True)),
        ("553 5.1.8 bad sender domain", ("553 5.1.8", False, False, True)),
        ("451 4.3.0 later", ("451 4.3.0", False, False, True)),
    ],
)
def test_reply_to_the_sender_is_our_own_matter(reply: str, expected: tuple[str, bool, bool, bool]) -> None:
    with running(Relay(sender=reply)) as server:
        assert facts(failure(server)) == expected


@pytest.mark.parametrize(
    ("reply", "expected"),
    [
        ("451 4.3.0 disk full", ("451 4.3.0", False, False, False)),
        ("554 5.6.0 no", ("554 5.6.0", True, False, False)),
    ],
)
def test_reply_after_the_data_is_an_answer_and_no_doubt(
    reply: str, expected: tuple[str, bool, bool, bool]
) -> None:
    with running(Relay(data=reply)) as server:
        assert facts(failure(server)) == expected


def test_one_bad_recipient_keeps_nobody_else_from_getting_theirs() -> None:
    relay = Relay(recipient="550 5.1.1 no such user")
    with running(relay) as server:
        failure(server, outgoing("ada@example.net"))
        send(server, outgoing("bob@example.net"))
    assert [recipients for _, recipients, _ in relay.taken] == [["bob@example.net"]]


def test_an_error_names_the_servers_words_on_one_line_and_not_too_many() -> None:
    with running(Relay(recipient="550-5.1.1 first\r\n550 5.1.1 " + "x" * 400)) as server:
        error = failure(server)
    assert "\n" not in error.text
    assert "first" in error.text


# Servers whose every byte is ours


def taking(after_data: Callable[[Talk], None]) -> Script:
    """A server that goes along up to the end of the data."""

    def script(talk: Talk) -> None:
        talk.say(b"220 relay.example ESMTP\r\n")
        while (line := talk.hear().strip().upper()) != b"":
            if line == b"DATA":
                talk.say(b"354 go on\r\n")
                while talk.hear() != b".\r\n":
                    pass
                after_data(talk)
                return
            talk.say(b"250 OK\r\n")

    return script


def take_and_hang_up(talk: Talk) -> None:
    talk.say(b"250 2.0.0 taken\r\n")
    talk.hang_up()


def take_and_hang(talk: Talk) -> None:
    talk.say(b"250 2.0.0 taken\r\n")
    talk.hang()


def take_and_grumble(talk: Talk) -> None:
    talk.say(b"250 2.0.0 taken\r\n")
    talk.hear()
    talk.say(b"421 4.4.2 so you go\r\n")


CUT_WITHIN_S = 10.0
"""By any machine; uncut, what is slow below would take four times as long and more."""


@contextmanager
def scripted(script: Script, *, step_s: float = 5.0, whole_s: float = 10.0) -> Iterator[MailServer]:
    with Receiver(script) as receiver:
        yield MailServer(
            host="127.0.0.1",
            port=receiver.port,
            security="none",
            step_timeout_s=step_s,
            whole_timeout_s=whole_s,
        )


@pytest.mark.parametrize("after_data", [take_and_hang_up, take_and_hang, take_and_grumble])
def test_taken_is_taken_whatever_follows(
    after_data: Callable[[Talk], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(channel, "QUIT_TIMEOUT_S", 0.2)
    with scripted(taking(after_data)) as server:
        assert send(server).code == "250"


def two_digits(talk: Talk) -> None:
    talk.say(b"25")


@pytest.mark.parametrize(
    "after_data", [Talk.hang_up, Talk.close, two_digits], ids=["reset", "closed", "closed in the reply"]
)
def test_a_drop_between_the_data_and_its_answer_leaves_it_in_doubt(
    after_data: Callable[[Talk], None],
) -> None:
    with scripted(taking(after_data)) as server:
        assert facts(failure(server)) == ("broken", False, True, False)


def test_silence_after_the_data_leaves_it_in_doubt() -> None:
    with scripted(taking(Talk.hang), step_s=0.3) as server:
        assert facts(failure(server)) == ("timeout", False, True, False)


def test_silence_instead_of_a_greeting_is_a_timeout_with_nothing_sent() -> None:
    with scripted(Talk.hang, step_s=0.3) as server:
        assert facts(failure(server)) == ("timeout", False, False, True)


def dripped_answer(talk: Talk) -> None:
    talk.drip(b"250 " + b"y" * 5000)


@pytest.mark.parametrize(
    ("script", "maybe_sent"),
    [(lambda talk: talk.drip(b"220 " + b"y" * 5000), False), (taking(dripped_answer), True)],
    ids=["its greeting", "its answer"],
)
def test_a_server_that_drips_is_cut_at_the_whole_deadline(script: Script, maybe_sent: bool) -> None:
    with scripted(script, whole_s=0.5) as server:
        started = time.monotonic()
        error = failure(server)
    assert time.monotonic() - started < CUT_WITHIN_S
    assert (error.code, error.maybe_sent) == ("timeout", maybe_sent)


def test_row_70_a_name_service_that_hangs_does_not_hold_a_mail_longer_than_the_whole_deadline(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    released = threading.Event()

    def hang(*_: object, **__: object) -> list[object]:
        released.wait(60)
        return []

    monkeypatch.setattr("socket.getaddrinfo", hang)
    started = time.monotonic()
    error = failure(MailServer(host="relay.example", security="none", whole_timeout_s=0.3))
    released.set()
    assert time.monotonic() - started < CUT_WITHIN_S
    assert facts(error) == ("timeout", False, False, True)


def test_row_70_a_relay_of_many_addresses_that_do_not_answer_is_left_at_the_whole_deadline(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each call alone would last for the step's time."""

    def silent(sock: socket.socket, _: object) -> None:
        time.sleep(sock.gettimeout() or 60.0)
        raise TimeoutError("timed out")

    many = [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (f"192.0.2.{n}", 25)) for n in range(200)]
    monkeypatch.setattr("socket.getaddrinfo", lambda *_, **__: many)
    monkeypatch.setattr("socket.socket.connect", silent)
    started = time.monotonic()
    server = MailServer(host="relay.example", security="none", step_timeout_s=0.2, whole_timeout_s=0.5)
    assert facts(failure(server)) == ("timeout", False, False, True)
    assert time.monotonic() - started < CUT_WITHIN_S


def test_row_70_the_relays_next_address_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    relay, look_up = Relay(), socket.getaddrinfo
    with running(relay) as server:
        dead = (socket.AF_INET, socket.SOCK_STREAM, 6, "", ("127.0.0.2", server.port))
        monkeypatch.setattr(
            "socket.getaddrinfo", lambda *args, **named: [dead, *look_up("127.0.0.1", *args[1:], **named)]
        )
        assert send(server).code == "250"


def test_a_server_that_hangs_up_before_the_data_got_nothing() -> None:
    def script(talk: Talk) -> None:
        talk.say(b"220 relay.example ESMTP\r\n")
        talk.hear()
        talk.say(b"250 OK\r\n")
        talk.hear()

    with scripted(script) as server:
        assert facts(failure(server)) == ("broken", False, False, True)


@pytest.mark.parametrize(
    ("greeting", "code"),
    [(b"554 5.3.2 no service\r\n", "554"), (b"421 4.3.2 busy\r\n", "421"), (b"SSH-2.0-x\r\n", "-1")],
    ids=["refused", "busy", "no mail server at all"],
)
def test_a_greeting_that_sends_us_away_is_for_the_operator(greeting: bytes, code: str) -> None:
    with scripted(lambda talk: talk.say(greeting)) as server:
        assert facts(failure(server)) == (code, False, False, True)


def test_a_relay_that_is_not_there_is_for_the_operator() -> None:
    with scripted(Talk.hang) as server:
        pass
    assert facts(failure(server)) == ("broken", False, False, True)


# TLS and login


def server_tls() -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(DATA / "test-receiver.pem")
    return context


def check_login(_server: SMTP, _session: Session, _envelope: Envelope, _method: str, data: Any) -> AuthResult:
    assert isinstance(data, LoginPassword)
    return AuthResult(success=(data.login, data.password) == (b"bell", b"right"), handled=False)


@pytest.fixture
def secured() -> Iterator[tuple[Relay, MailServer]]:
    relay = Relay()
    options = {"tls_context": server_tls(), "require_starttls": True, "auth_required": True}
    with running(relay, **options, authenticator=check_login) as server:
        yield (
            relay,
            replace(
                server,
                host="localhost",
                security="starttls",
                user="bell",
                password="right",
                ca_file=AUTHORITY,
            ),
        )


def test_mail_goes_by_starttls_with_a_login(secured: tuple[Relay, MailServer]) -> None:
    relay, server = secured
    assert send(server).code == "250"
    assert len(relay.taken) == 1


def test_a_wrong_password_is_for_the_operator_and_may_be_mended(secured: tuple[Relay, MailServer]) -> None:
    relay, server = secured
    assert facts(failure(replace(server, password="wrong"))) == ("535", False, False, True)
    assert relay.taken == []


def test_a_password_that_can_not_be_sent_is_for_the_operator(secured: tuple[Relay, MailServer]) -> None:
    assert facts(failure(replace(secured[1], password="pässwört"))) == ("broken", False, False, True)


def test_an_unknown_authority_ends_it_before_the_login(secured: tuple[Relay, MailServer]) -> None:
    assert facts(failure(replace(secured[1], ca_file=None))) == ("tls", False, False, True)


def test_a_relay_without_starttls_never_gets_the_mail_in_the_clear() -> None:
    relay = Relay()
    with running(relay) as server:
        error = failure(replace(server, security="starttls"))
    assert facts(error) == ("not_offered", False, False, True)
    assert relay.taken == []


def test_mail_goes_by_tls_from_the_first_byte() -> None:
    with Receiver(taking(take_and_hang_up), tls=True) as receiver:
        server = MailServer(host="localhost", port=receiver.port, security="tls", ca_file=AUTHORITY)
        assert send(server).code == "250"
    assert receiver.names == ["localhost"]


def test_a_tls_handshake_that_never_ends_is_cut() -> None:
    with Receiver(Talk.hang) as receiver:
        server = MailServer(host="localhost", port=receiver.port, security="tls", whole_timeout_s=0.3)
        assert facts(failure(server)) == ("timeout", False, False, True)


def test_a_password_is_not_shown_by_its_settings() -> None:
    assert "s3cret" not in repr(MailServer(host="h", user="u", password="s3cret"))
