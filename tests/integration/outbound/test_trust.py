"""Whom we believe: the system's authorities, for everything that goes out, and nobody waits for another."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from service.channels.email import try_relay
from service.channels.safe_http import SafeClient
from service.common import connect
from service.feeds.shared.http_client import Limits, PoliteClient, Request, identify
from tests.integration.channels.channel_receivers import AUTHORITY, Receiver, Talk
from tests.integration.channels.mail_relays import Relay, running
from tests.integration.outbound.test_mail_through_a_proxy import SENDER, certificate


def answer(talk: Talk) -> None:
    talk.hear_request()
    talk.say(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\nConnection: close\r\n\r\n{}")


def ask_a_feed() -> None:
    with (
        Receiver(answer, tls=True) as receiver,
        PoliteClient(identify("a@example.org"), limits=Limits(tries=1)) as client,
    ):
        client.get(Request(f"https://{receiver.place}/"))


def call_a_receiver() -> None:
    with Receiver(answer, tls=True) as receiver:
        SafeClient(allow=[receiver.place]).call(f"https://{receiver.place}/", b"{}", {})


def greet_a_relay() -> None:
    with running(Relay(), ssl_context=certificate()) as relay:
        try_relay(replace(relay, security="tls"), SENDER)


@pytest.mark.parametrize("talk", [ask_a_feed, call_a_receiver, greet_a_relay])
@pytest.mark.parametrize("files", [True, False], ids=["a store of files", "the system is asked"])
def test_an_authority_that_the_system_trusts_is_trusted_by_all(
    talk: Callable[[], None], files: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connect, "STORE_IS_FILES", files)
    monkeypatch.setattr(connect, "_own", threading.local())
    with pytest.raises(Exception, match=r"certificate|secure connection"):
        talk()
    monkeypatch.setattr(connect, "_own", threading.local())
    monkeypatch.setenv("SSL_CERT_FILE", AUTHORITY)
    talk()


def test_the_store_is_read_once_for_all_connections() -> None:
    assert connect.trusting() is connect.trusting()
    assert connect.trusting(AUTHORITY) is connect.trusting(AUTHORITY)
    assert connect.trusting().verify_mode is ssl.CERT_REQUIRED
    assert connect.trusting().check_hostname


@pytest.mark.parametrize("files", [True, False], ids=["a store of files", "the system is asked"])
def test_row_148_a_handshake_that_never_ends_keeps_nobody_else_waiting(
    files: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library's context holds a lock while it shakes hands."""
    monkeypatch.setattr(connect, "STORE_IS_FILES", files)
    monkeypatch.setenv("SSL_CERT_FILE", AUTHORITY)
    silent, theirs = socket.socketpair()
    begun = threading.Event()

    def never_ends() -> None:
        begun.set()
        with pytest.raises(OSError):  # noqa: PT011 - cut, in whichever words
            connect.secure(silent, connect.trusting(), "receiver.example")

    hanging = threading.Thread(target=never_ends, daemon=True)
    calling = threading.Thread(target=call_a_receiver, daemon=True)
    with silent, theirs:
        hanging.start()
        assert begun.wait(5)
        assert theirs.recv(1)  # its greeting: it's in the middle of it
        calling.start()
        calling.join(10)
        assert (calling.is_alive(), hanging.is_alive()) == (False, True)
        theirs.shutdown(socket.SHUT_RDWR)
        hanging.join(5)
    assert not hanging.is_alive()


def test_row_149_a_system_that_trusts_nobody_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert connect.has_authorities()
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "none.pem"))
    monkeypatch.setenv("SSL_CERT_DIR", str(tmp_path))
    assert not connect.has_authorities()
    (tmp_path / "8d28ae65.0").write_text("one")
    assert connect.has_authorities()
