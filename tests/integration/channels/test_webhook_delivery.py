"""Webhooks to real receivers: what is sent, how each answer is read, and that nothing holds us longer
than the deadline."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import pytest
from standardwebhooks.webhooks import Webhook as ReferenceWebhook

from service.channels.model import ChannelError, Outgoing
from service.channels.safe_http import SafeClient
from service.channels.webhook import Webhook, new_secret
from tests.integration.channels.channel_receivers import Receiver, Script, Talk

SECRET, OLDER = new_secret(), new_secret()
DEADLINE_S = 0.5
"""Short, so that the tests are; the slow receivers below would talk for minutes."""
GRACE_S = 10.0


def outgoing(url: str) -> Outgoing:
    return Outgoing(
        message_id="msg_0123456789abcdefghjkmnpqrs",
        address=url,
        attempted_at=datetime.now(UTC),
        payload={"type": "alert.go", "data": {"site": "Peña Ñ\n"}},
        secrets=(SECRET, OLDER),
    )


def webhook(receiver: Receiver, whole_s: float = 5.0) -> Webhook:
    return Webhook(SafeClient(allow=[receiver.place], whole_s=whole_s, read_s=60.0))


def answering(status: str, *headers: str, body: bytes = b"") -> Script:
    def script(talk: Talk) -> None:
        talk.hear_request()
        lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", *headers, "", ""]
        talk.say("\r\n".join(lines).encode() + body)

    return script


def failure(script: Script, whole_s: float = 5.0) -> ChannelError:
    with Receiver(script) as receiver, pytest.raises(ChannelError) as caught:
        webhook(receiver, whole_s).send(outgoing(receiver.url))
    return caught.value


def test_receiver_gets_signed_json_that_two_verifiers_accept() -> None:
    heard: list[tuple[bytes, dict[str, str], bytes]] = []

    def script(talk: Talk) -> None:
        heard.append(talk.hear_request())
        talk.say(b"HTTP/1.1 204 No Content\r\n\r\n")

    with Receiver(script) as receiver:
        result = webhook(receiver).send(outgoing(receiver.url))
    (first, headers, body) = heard[0]
    assert (result.code, first) == ("204", b"POST /hook?to=night HTTP/1.1")
    assert headers["host"] == receiver.place
    assert headers["content-type"] == "application/json"
    assert json.loads(body) == {"type": "alert.go", "data": {"site": "Peña Ñ\n"}}
    signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    for secret, signature in zip((SECRET, OLDER), headers["webhook-signature"].split(), strict=True):
        key = base64.b64decode(secret.removeprefix("whsec_"))
        expected = base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode()
        assert signature == f"v1,{expected}"
        ReferenceWebhook(secret).verify(body, headers)


def test_id_and_body_stay_over_attempts_while_the_timestamp_moves() -> None:
    heard: list[tuple[bytes, dict[str, str], bytes]] = []

    def script(talk: Talk) -> None:
        heard.append(talk.hear_request())
        talk.say(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n")

    with Receiver(script) as receiver:
        first = outgoing(receiver.url)
        for attempt in (first, replace(first, attempted_at=first.attempted_at + timedelta(minutes=5))):
            webhook(receiver).send(attempt)
    (_, one, body), (_, two, body_again) = heard
    assert (one["webhook-id"], body) == (two["webhook-id"], body_again)
    assert int(two["webhook-timestamp"]) - int(one["webhook-timestamp"]) == 300
    assert one["webhook-signature"] != two["webhook-signature"]


@pytest.mark.parametrize("status", ["200 OK", "201 Created", "202 Accepted", "299 Odd"])
def test_any_2xx_is_success_and_the_start_of_the_answer_is_kept(status: str) -> None:
    with Receiver(answering(status, body=b"\xffok" + b"x" * 2000)) as receiver:
        result = webhook(receiver).send(outgoing(receiver.url))
    assert (result.code, len(result.text)) == (status[:3], 500)
    assert result.text.startswith("\ufffdokx")


@pytest.mark.parametrize(
    ("status", "permanent", "gone"),
    [
        ("301 Moved", True, False), ("302 Found", True, False), ("304 Not Modified", True, False),
        ("307 Temporary Redirect", True, False), ("400 Bad Request", False, False),
        ("401 Unauthorized", False, False), ("404 Not Found", False, False),
        ("408 Request Timeout", False, False), ("409 Conflict", False, False),
        ("410 Gone", True, True), ("425 Too Early", False, False),
        ("429 Too Many Requests", False, False), ("500 Oops", False, False),
        ("502 Bad Gateway", False, False), ("503 Busy", False, False), ("504 Late", False, False),
    ],
)  # fmt: skip
def test_every_other_status_is_one_error_with_its_facts(status: str, permanent: bool, gone: bool) -> None:
    error = failure(answering(status, body=b"because"))
    assert (error.code, error.permanent, error.gone) == (status[:3], permanent, gone)
    assert (error.maybe_sent, error.ours) == (False, False)


@pytest.mark.parametrize("status", ["429 Too Many Requests", "503 Busy", "502 Bad Gateway"])
def test_retry_after_comes_back_in_seconds(status: str) -> None:
    error = failure(answering(status, "Retry-After: 120"))
    assert error.retry_after == timedelta(seconds=120)


def test_retry_after_comes_back_from_a_date() -> None:
    until = datetime.now(UTC) + timedelta(seconds=300)
    error = failure(answering("503 Busy", f"Retry-After: {format_datetime(until, usegmt=True)}"))
    assert error.retry_after is not None
    assert 295 < error.retry_after.total_seconds() <= 300


def test_a_redirect_is_not_followed_even_to_an_allowed_receiver() -> None:
    with Receiver(answering("200 OK")) as hidden:
        error = failure(answering("302 Found", f"Location: http://{hidden.place}/"))
        assert hidden.connections == 0
    assert error.permanent
    assert "final address" in error.text


def head_drip(talk: Talk) -> None:
    talk.hear_request()
    talk.drip(b"HTTP/1.1 200 OK\r\nX-Slow: " + b"y" * 5000)


def body_drip(talk: Talk) -> None:
    talk.hear_request()
    talk.say(b"HTTP/1.1 200 OK\r\nContent-Length: 5000\r\n\r\n")
    talk.drip(b"y" * 5000)


def endless_drip(talk: Talk) -> None:
    talk.hear_request()
    talk.say(b"HTTP/1.1 200 OK\r\n\r\n")
    talk.drip(b"y" * 5000)


def chunked_drip(talk: Talk) -> None:
    talk.hear_request()
    talk.say(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n1388\r\n")
    talk.drip(b"y" * 5000)


@pytest.mark.parametrize(
    "script",
    [Talk.hang, head_drip, body_drip, endless_drip, chunked_drip],
    ids=["says nothing", "drips its head", "drips its body", "drips without a length", "drips a chunk"],
)
def test_a_slow_receiver_is_a_timeout_at_the_deadline_never_a_success(script: Script) -> None:
    started = time.monotonic()
    error = failure(script, DEADLINE_S)
    assert time.monotonic() - started < DEADLINE_S + GRACE_S
    assert (error.code, error.maybe_sent, error.permanent) == ("timeout", True, False)


def test_a_single_silent_read_ends_before_the_whole_deadline() -> None:
    with Receiver(Talk.hang) as receiver:
        client = SafeClient(allow=[receiver.place], read_s=0.2, whole_s=30.0)
        with pytest.raises(ChannelError) as caught:
            Webhook(client).send(outgoing(receiver.url))
    assert (caught.value.code, caught.value.maybe_sent) == ("timeout", True)


def cut_body(talk: Talk) -> None:
    talk.hear_request()
    talk.say(b"HTTP/1.1 200 OK\r\nContent-Length: 5000\r\n\r\nonly this")


def reset(talk: Talk) -> None:
    talk.hear_request()
    talk.hang_up()


def gibberish(talk: Talk) -> None:
    talk.hear_request()
    talk.say(b"SSH-2.0-OpenSSH\r\n\r\n")


def endless_head(talk: Talk) -> None:
    talk.hear_request()
    talk.say(b"HTTP/1.1 200 OK\r\n" + b"X-A: b\r\n" * 5000 + b"\r\n")


@pytest.mark.parametrize("script", [cut_body, reset, gibberish, endless_head])
def test_a_broken_answer_leaves_it_in_doubt(script: Script) -> None:
    error = failure(script)
    assert (error.code, error.maybe_sent, error.permanent) == ("broken", True, False)


HINTS = b"HTTP/1.1 103 Early Hints\r\nLink: </x.css>; rel=preload\r\n\r\n"
CONTINUE = b"HTTP/1.1 100 Continue\r\n\r\n"


@pytest.mark.parametrize("before", [HINTS, CONTINUE + HINTS + HINTS, HINTS + CONTINUE])
@pytest.mark.parametrize("status", ["204 No Content", "503 Busy"])
def test_row_69_interim_answers_are_passed_over_and_the_final_one_counts(before: bytes, status: str) -> None:
    def script(talk: Talk) -> None:
        talk.hear_request()
        talk.say(before)
        talk.say(f"HTTP/1.1 {status}\r\nContent-Length: 0\r\n\r\n".encode())

    if status.startswith("5"):
        assert failure(script).code == "503"
        return
    with Receiver(script) as receiver:
        assert webhook(receiver).send(outgoing(receiver.url)).code == "204"


def endless_hints(talk: Talk) -> None:
    talk.hear_request()
    while True:
        talk.say(HINTS)
        time.sleep(0.01)


def only_hints(talk: Talk) -> None:
    talk.hear_request()
    talk.say(HINTS)


@pytest.mark.parametrize(("script", "code"), [(endless_hints, "timeout"), (only_hints, "broken")])
def test_row_69_interim_answers_alone_are_no_answer(script: Script, code: str) -> None:
    error = failure(script, DEADLINE_S)
    assert (error.code, error.maybe_sent, error.permanent) == (code, True, False)


def test_an_endless_answer_is_read_to_64_kb_and_its_status_counts() -> None:
    def script(talk: Talk) -> None:
        talk.hear_request()
        talk.say(b"HTTP/1.1 200 OK\r\n\r\n")
        while True:
            talk.say(b"z" * 65536)

    with Receiver(script) as receiver:
        assert webhook(receiver).send(outgoing(receiver.url)).code == "200"


def test_an_answer_is_never_unpacked() -> None:
    packed = b"\x1f\x8b\x08" + bytes(50)
    with Receiver(answering("200 OK", "Content-Encoding: gzip", body=packed)) as receiver:
        assert webhook(receiver).send(outgoing(receiver.url)).text == "\ufffd" * 52


def test_nobody_listening_means_that_nothing_was_sent() -> None:
    with Receiver(Talk.hang) as receiver:
        url, channel = receiver.url, webhook(receiver)
    with pytest.raises(ChannelError) as caught:
        channel.send(outgoing(url))
    assert (caught.value.code, caught.value.maybe_sent, caught.value.permanent) == ("connect", False, False)


@pytest.fixture(params=["HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"])
def proxied(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Receiver]:
    with Receiver(answering("502 Proxy")) as proxy:
        for name in (request.param, request.param.lower()):
            monkeypatch.setenv(name, f"http://{proxy.place}")
        yield proxy


def test_proxy_variables_are_not_read(proxied: Receiver) -> None:
    with Receiver(answering("200 OK")) as receiver:
        assert webhook(receiver).send(outgoing(receiver.url)).code == "200"
    assert proxied.connections == 0


def test_a_blocked_address_is_a_permanent_error_at_sending_too() -> None:
    with pytest.raises(ChannelError) as caught:
        Webhook(SafeClient()).send(outgoing("https://127.0.0.1/"))
    assert (caught.value.code, caught.value.permanent, caught.value.maybe_sent) == ("blocked", True, False)


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"payload": None}, "no_payload"),
        ({"secrets": ()}, "no_secret"),
        ({"secrets": ("whsec_x",)}, "bad_secret"),
        ({"message_id": "msg_1\r\nX-Evil: 1"}, "bad_id"),
    ],
    ids=["nothing composed", "no secret", "a broken secret", "an id that breaks the header"],
)
def test_what_we_did_wrong_ourselves_is_ours(changed: dict[str, object], code: str) -> None:
    with Receiver(answering("200 OK")) as receiver, pytest.raises(ChannelError) as caught:
        webhook(receiver).send(replace(outgoing(receiver.url), **changed))  # type: ignore[arg-type]
    assert (caught.value.code, caught.value.permanent, caught.value.ours) == (code, True, True)
    assert receiver.connections == 0
