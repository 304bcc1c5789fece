"""The guarded client on real sockets: one lookup, the checked address, the name's certificate."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from typing import Any

import pytest

from service.channels.safe_http import Blocked, CutOff, SafeClient
from tests.integration.channels.channel_receivers import AUTHORITY, Receiver, Talk

Infos = list[Any]


def info(address: str, port: int) -> Any:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    sockaddr = (address, port, 0, 0) if ":" in address else (address, port)
    return (family, socket.SOCK_STREAM, 6, "", sockaddr)


class Names:
    """A name service of the test's own; each lookup takes the next answer."""

    def __init__(self, *answers: list[str]) -> None:
        self._answers = list(answers)
        self.asked: list[str] = []

    def __call__(self, host: str, port: int, *_: object, **__: object) -> Infos:
        self.asked.append(host)
        return [info(address, port) for address in self._answers[len(self.asked) - 1]]


def ok(talk: Talk) -> None:
    talk.hear_request()
    talk.say(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nok")


def place(receiver: Receiver, name: str = "receiver.example") -> str:
    return f"{name}:{receiver.port}"


@pytest.fixture
def names(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Names]:
    def answer(*answers: list[str]) -> Names:
        service = Names(*answers)
        monkeypatch.setattr(socket, "getaddrinfo", service)
        return service

    return answer


def test_a_name_is_looked_up_once_and_the_checked_address_called(names: Callable[..., Names]) -> None:
    service = names(["127.0.0.1"], ["10.0.0.1"])
    with Receiver(ok) as receiver:
        client = SafeClient(allow=["127.0.0.0/8"], ports=[receiver.port], allow_http=True)
        answer = client.call(f"http://{place(receiver)}/", b"{}", {})
    assert (answer.status, answer.body, service.asked) == (200, b"ok", ["receiver.example"])


@pytest.mark.parametrize(
    "addresses",
    [
        ["127.0.0.1"], ["10.0.0.1"], ["169.254.169.254"], ["::1"], ["::ffff:127.0.0.1"], ["64:ff9b::7f00:1"],
        ["1.1.1.1", "127.0.0.1"], ["127.0.0.1", "1.1.1.1"], ["2606:4700::1111", "fd00::1"],
    ],
    ids=", ".join,
)  # fmt: skip
def test_a_name_with_any_private_answer_is_refused_before_a_connection(
    addresses: list[str], names: Callable[..., Names], monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_call(*_: object) -> None:
        raise AssertionError("nothing may be called")

    service = names(addresses)
    monkeypatch.setattr(socket.socket, "connect", no_call)
    with pytest.raises(Blocked, match=r"rebind\.example isn't on the public internet"):
        SafeClient().call("https://rebind.example/", b"{}", {})
    assert service.asked == ["rebind.example"]


def test_the_next_address_is_tried_when_the_first_takes_no_call(names: Callable[..., Names]) -> None:
    names(["127.0.0.2", "127.0.0.1"])
    with Receiver(ok) as receiver:
        client = SafeClient(allow=[place(receiver)])
        assert client.call(f"http://{place(receiver)}/", b"{}", {}).status == 200


def test_an_answer_from_another_address_than_the_called_one_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Diverted(socket.socket):
        def getpeername(self) -> tuple[str, int]:
            return ("127.0.0.9", 1)

    with Receiver(ok) as receiver:
        client = SafeClient(allow=[receiver.place])
        monkeypatch.setattr(socket, "socket", Diverted)
        with pytest.raises(Blocked, match="another address"):
            client.call(receiver.url, b"{}", {})


def test_a_name_without_an_address_was_not_sent_to(monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: object, **__: object) -> Infos:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    with pytest.raises(CutOff) as caught:
        SafeClient().call("https://nowhere.example/", b"{}", {})
    assert (caught.value.code, caught.value.maybe_sent) == ("dns", False)


def test_a_name_with_an_empty_label_has_no_address() -> None:
    with pytest.raises(CutOff) as caught:
        SafeClient().call("https://a..example/", b"{}", {})
    assert caught.value.code == "dns"


def test_a_name_service_that_hangs_ends_at_the_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    released = threading.Event()

    def hang(*_: object, **__: object) -> Infos:
        released.wait(60)
        return []

    monkeypatch.setattr(socket, "getaddrinfo", hang)
    with pytest.raises(CutOff) as caught:
        SafeClient(whole_s=0.2).call("https://slow.example/", b"{}", {})
    released.set()
    assert (caught.value.code, caught.value.maybe_sent) == ("timeout", False)


def test_certificate_and_server_name_are_those_of_the_url(names: Callable[..., Names]) -> None:
    names(["127.0.0.1"])
    with Receiver(ok, tls=True) as receiver:
        client = SafeClient(allow=[place(receiver)], ca_file=AUTHORITY)
        assert client.call(f"https://{place(receiver)}/", b"{}", {}).status == 200
    assert receiver.names == ["receiver.example"]


@pytest.mark.parametrize(
    ("name", "authority"),
    [("other.example", AUTHORITY), ("receiver.example", None)],
    ids=["another name's certificate", "an unknown authority"],
)
def test_a_certificate_that_does_not_prove_the_name_ends_it_unsent(
    name: str, authority: str | None, names: Callable[..., Names]
) -> None:
    names(["127.0.0.1"])
    with Receiver(ok, tls=True) as receiver:
        client = SafeClient(allow=[place(receiver, name)], ca_file=authority)
        with pytest.raises(CutOff) as caught:
            client.call(f"https://{place(receiver, name)}/", b"{}", {})
    assert (caught.value.code, caught.value.maybe_sent) == ("tls", False)


def test_plain_http_behind_an_https_address_is_a_tls_failure() -> None:
    with Receiver(lambda talk: talk.say(b"HTTP/1.1 200 OK\r\n\r\n")) as receiver:
        client = SafeClient(allow=[receiver.place], ca_file=AUTHORITY)
        with pytest.raises(CutOff) as caught:
            client.call(f"https://{receiver.place}/", b"{}", {})
    assert (caught.value.code, caught.value.maybe_sent) == ("tls", False)


def test_a_receiver_that_never_finishes_the_handshake_ends_at_the_deadline() -> None:
    with Receiver(Talk.hang) as receiver:
        client = SafeClient(allow=[receiver.place], whole_s=0.3, ca_file=AUTHORITY)
        with pytest.raises(CutOff) as caught:
            client.call(f"https://{receiver.place}/", b"{}", {})
    assert (caught.value.code, caught.value.maybe_sent) == ("timeout", False)
