"""What each chat service is sent, and that no name in it calls a group or becomes markup."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest

from alerts.briefing.facts import AlertFacts, Briefing
from alerts.briefing.payload import build_payload
from alerts.common.errors import BadInput
from alerts.notifying.model import AlertKind
from service.channels.chat import CHAT_FORMS, Chat, ChatPost
from service.channels.model import ChannelError, Outgoing
from service.channels.safe_http import HookAnswer, SafeClient

AT = datetime(2027, 7, 3, 12, 0, tzinfo=UTC)
URLS = {
    "text": "https://chat.example.org/hooks/abc",
    "slack": "https://hooks.slack.com/services/T0/B0/abc",
    "discord": "https://discord.com/api/webhooks/1/abc",
    "matrix": "https://matrix.example.org/_matrix/client/v3/rooms/!room:example.org/send/m.room.message",
    "ntfy": "https://ntfy.example.org/nights-of-ours",
    "telegram": "https://api.telegram.org/bot12:abc/sendMessage?chat_id=-100",
    "teams": "https://flow.example.org/workflows/abc?sig=x",
}
HOSTILE = "*b* `x` &amp; <i>"


class Recorded(SafeClient):
    """Keeps what would be sent, and answers 200."""

    def __init__(self) -> None:
        super().__init__()
        self.calls: list[tuple[str, str, bytes, dict[str, str]]] = []

    def call(self, url: str, body: bytes, headers: Any, method: str = "POST") -> HookAnswer:
        self.calls.append((method, url, body, dict(headers)))
        return HookAnswer(200, {}, b"ok")


def outgoing(name: str, site_name: str = "Windpump Flat") -> Outgoing:
    facts = AlertFacts(
        kind=AlertKind.HEADS_UP,
        site_name=site_name,
        night=date(2027, 7, 3),
        zone="Europe/Madrid",
        decided_at=AT,
        chance_pct=64,
    )
    return Outgoing(
        message_id="msg_0123456789abcdefghjkmnpqrs",
        address=URLS[name],
        attempted_at=AT,
        payload=build_payload(Briefing(message_id="msg_0123456789abcdefghjkmnpqrs", alerts=(facts,))),
        secrets=("access-token",) if CHAT_FORMS[name].needs_token else (),
    )


def sent(name: str, site_name: str = "Windpump Flat") -> tuple[str, str, Any, dict[str, str]]:
    client = Recorded()
    Chat(client, CHAT_FORMS[name]).send(outgoing(name, site_name))
    ((method, url, body, headers),) = client.calls
    return method, url, json.loads(body), headers


def test_every_form_has_an_address_here_that_it_accepts() -> None:
    assert set(URLS) == set(CHAT_FORMS)
    for name, url in URLS.items():
        assert Chat(SafeClient(), CHAT_FORMS[name]).check_address(f" {url} ") == url


@pytest.mark.parametrize("name", URLS)
def test_the_words_arrive_in_the_form_of_the_service(name: str) -> None:
    method, _, body, headers = sent(name)
    assert "Windpump Flat" in json.dumps(body, ensure_ascii=False)
    assert headers["Content-Type"] == "application/json"
    assert method == ("PUT" if name == "matrix" else "POST")


def test_the_plainest_form_is_the_text_alone() -> None:
    _, url, body, _ = sent("text")
    assert list(body) == ["text"]
    assert body["text"].splitlines()[0].startswith("Heads-up")
    assert url == URLS["text"]


def test_row_60_slack_gets_its_three_characters_escaped_and_no_markup() -> None:
    _, _, body, _ = sent("slack", HOSTILE)
    assert "<" not in body["text"]
    assert ">" not in body["text"]
    assert "&amp;amp;" in body["text"]
    assert (body["mrkdwn"], body["unfurl_links"]) == (False, False)


def test_row_60_discord_may_mention_nobody_and_shows_no_markup() -> None:
    _, _, body, _ = sent("discord", HOSTILE)
    assert body["allowed_mentions"] == {"parse": []}
    assert r"\*b\*" in body["content"]
    assert r"\`x\`" in body["content"]


def test_row_60_matrix_mentions_nobody_and_the_server_drops_a_repeat_by_its_id() -> None:
    _, url, body, headers = sent("matrix", HOSTILE)
    assert url == URLS["matrix"] + "/msg_0123456789abcdefghjkmnpqrs"
    assert headers["Authorization"] == "Bearer access-token"
    assert (body["msgtype"], body["m.mentions"]) == ("m.text", {})
    assert "formatted_body" not in body


def test_row_60_telegram_gets_plain_text_and_the_chat_from_the_address() -> None:
    _, url, body, _ = sent("telegram", HOSTILE)
    assert url == "https://api.telegram.org/bot12:abc/sendMessage"
    assert body["chat_id"] == "-100"
    assert "parse_mode" not in body
    assert body["link_preview_options"] == {"is_disabled": True}


def test_row_60_teams_shows_lines_without_markup() -> None:
    _, _, body, _ = sent("teams", HOSTILE)
    blocks = body["attachments"][0]["content"]["body"]
    assert all(block["type"] == "TextBlock" and block["wrap"] for block in blocks)
    assert any(r"\*b\*" in block["text"] for block in blocks)


def test_ntfy_takes_the_topic_from_the_path_and_the_first_line_as_title() -> None:
    _, url, body, _ = sent("ntfy")
    assert (url, body["topic"]) == ("https://ntfy.example.org/", "nights-of-ours")
    assert body["title"].startswith("Heads-up")
    assert not body["message"].startswith(body["title"])
    assert (body["priority"], "click" in body) == (3, False)


def test_row_230_ntfy_takes_priority_and_link() -> None:
    night = "https://duskbell.example.org/sites/1/nights/2027-07-03"
    data = {"subject": "Go: Flat", "text": "Go: Flat\nLeave by 19:40.", "alerts": [{"night_url": night}]}
    client = Recorded()
    payload = {"type": "alert.go", "data": data}
    Chat(client, CHAT_FORMS["ntfy"]).send(replace(outgoing("ntfy"), payload=payload))
    body = json.loads(client.calls[0][2])
    assert (body["title"], body["message"]) == ("Go: Flat", "Leave by 19:40.")
    assert (body["priority"], body["click"]) == (4, night)


@pytest.mark.parametrize("name", URLS)
@pytest.mark.parametrize("call", ["@everyone", "@here", "@room", "@channel", "<!channel>", "<@U1>"])
def test_row_60_no_service_is_sent_a_mention_it_would_obey(name: str, call: str) -> None:
    _, _, body, _ = sent(name, f"x {call} y")
    assert call not in json.dumps(body, ensure_ascii=False)


@pytest.mark.parametrize("name", URLS)
def test_a_long_text_is_cut_at_a_line_within_what_the_service_takes(name: str) -> None:
    message = outgoing(name)
    assert message.payload is not None
    data = message.payload["data"]
    assert isinstance(data, dict)
    data["text"] = "\n".join(["y" * 299] * 40)
    client = Recorded()
    Chat(client, CHAT_FORMS[name]).send(message)
    body = client.calls[0][2].decode()
    assert CHAT_FORMS[name].longest // 300 - body.count("y" * 299) in (0, 1)
    assert "…" in body


@pytest.mark.parametrize(
    ("name", "url"),
    [
        ("telegram", "https://api.telegram.org/bot12:abc/sendMessage"),
        ("matrix", "https://matrix.example.org/hook"),
        ("ntfy", "https://ntfy.example.org/"),
        ("ntfy", "https://ntfy.example.org/a/b"),
        ("text", "https://10.0.0.7/hook"),
        ("slack", "http://hooks.slack.com/services/x"),
    ],
)
def test_an_address_of_another_shape_is_refused_when_it_is_given(name: str, url: str) -> None:
    with pytest.raises(BadInput):
        Chat(SafeClient(), CHAT_FORMS[name]).check_address(url)


@pytest.mark.parametrize("secrets", [(), ("",), ("a b",), ("x\r\nEvil: 1",)])
def test_a_chat_without_a_usable_token_is_our_own_fault(secrets: tuple[str, ...]) -> None:
    with pytest.raises(ChannelError) as caught:
        Chat(Recorded(), CHAT_FORMS["matrix"]).send(replace(outgoing("matrix"), secrets=secrets))
    assert (caught.value.code, caught.value.permanent, caught.value.ours) == ("no_secret", True, True)


def test_a_form_sees_the_message_and_nothing_of_the_person() -> None:
    fields = set(ChatPost.__dataclass_fields__)
    assert fields == {"url", "text", "message_id", "secret", "link", "is_urgent"}
