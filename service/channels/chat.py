"""Messages for group chats: the plain words of an alert in the form that each service takes.

A form is one small function from the words and the address to the call, registered as data. Names that
people typed already come with their mentions broken (alerts/briefing); each form also switches off or
escapes what its service would still read as markup. A chat can't check a signature, so none is sent.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit, urlunsplit

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase
from service.channels.model import ChannelError, Outgoing, SendResult, checked_id
from service.channels.safe_http import SafeClient
from service.channels.webhook import HookRequest, Webhook, call_hook, encode_body, payload_of, push_of


@dataclass(frozen=True, slots=True)
class ChatPost:
    """What a form is made of. text: the words; the first line alone tells the story.
    secret: the access token, where the service wants one besides the URL; "" where it doesn't.
    link: the night's page, or "". is_urgent: somebody is about to leave."""

    url: str
    text: str
    message_id: str
    secret: str
    link: str = ""
    is_urgent: bool = False


@dataclass(frozen=True, slots=True)
class ChatForm:
    """One service's way. longest: characters of text that it takes.  needs_token: the address comes with
    an access token.  hint, url: what the URL looks like, in words and as a pattern."""

    build: Callable[[ChatPost], HookRequest]
    longest: int
    hint: Phrase
    needs_token: bool = False
    url: str = ""


def _json(url: str, body: Mapping[str, object]) -> HookRequest:
    return HookRequest(url, encode_body(body), {})


def plain_text(post: ChatPost) -> HookRequest:
    return _json(post.url, {"text": post.text})


def slack(post: ChatPost) -> HookRequest:
    """Angle brackets would start a mention or a link; & < > are escaped as the service asks."""
    escaped = post.text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    quiet = {"mrkdwn": False, "unfurl_links": False, "unfurl_media": False}
    return _json(post.url, {"text": escaped, **quiet})


def discord(post: ChatPost) -> HookRequest:
    escaped = re.sub(r"([\\*_~`|>#])", r"\\\1", post.text)
    return _json(post.url, {"content": escaped, "allowed_mentions": {"parse": []}, "flags": 4})


def matrix(post: ChatPost) -> HookRequest:
    """The message's id is the transaction's, so the server itself drops a repeat."""
    url = f"{post.url.rstrip('/')}/{quote(checked_id(post.message_id))}"
    body = encode_body({"msgtype": "m.text", "body": post.text, "m.mentions": {}})
    return HookRequest(url, body, {"Authorization": f"Bearer {post.secret}"}, method="PUT")


HIGH, USUAL = 4, 3
"""Of 1 to 5: louder than usual, and as usual."""


def ntfy(post: ChatPost) -> HookRequest:
    """The topic is the path of the URL, the title the first line; the JSON goes to the server's root."""
    parts = urlsplit(post.url)
    root = urlunsplit((parts.scheme, parts.netloc, "/", "", ""))
    title, _, rest = post.text.partition("\n")
    body: dict[str, Any] = {"topic": parts.path.strip("/"), "title": title, "message": rest.strip() or title}
    more = {"click": post.link} if post.link else {}
    return _json(root, {**body, **more, "priority": HIGH if post.is_urgent else USUAL})


def telegram(post: ChatPost) -> HookRequest:
    """Plain text: without a parse mode nothing in it is markup."""
    parts = urlsplit(post.url)
    chat = parse_qs(parts.query)["chat_id"][0]
    body: dict[str, Any] = {"chat_id": chat, "text": post.text, "link_preview_options": {"is_disabled": True}}
    return _json(urlunsplit((parts.scheme, parts.netloc, parts.path, "", "")), body)


def teams(post: ChatPost) -> HookRequest:
    lines = [re.sub(r"([\\*_\[\]~`#])", r"\\\1", line) for line in post.text.splitlines()]
    card = {
        "type": "AdaptiveCard",
        "version": "1.4",
        "body": [{"type": "TextBlock", "text": line, "wrap": True} for line in lines],
    }
    attachment = {"contentType": "application/vnd.microsoft.card.adaptive", "content": card}
    return _json(post.url, {"type": "message", "attachments": [attachment]})


CHAT_FORMS: Mapping[str, ChatForm] = MappingProxyType(
    {
        "text": ChatForm(plain_text, 4000, phrase("channels.hint-text")),
        "slack": ChatForm(slack, 4000, phrase("channels.hint-slack")),
        "discord": ChatForm(discord, 1900, phrase("channels.hint-discord")),
        "matrix": ChatForm(
            matrix,
            4000,
            phrase("channels.hint-matrix"),
            needs_token=True,
            url=r"/_matrix/client/v3/rooms/[^/]+/send/m\.room\.message/?$",
        ),
        "ntfy": ChatForm(
            ntfy, 3500, phrase("channels.hint-ntfy"), url=r"^\w+://[^/?#]+/[\w-]{1,64}/?([?#]|$)"
        ),
        "telegram": ChatForm(telegram, 4000, phrase("channels.hint-telegram"), url=r"[?&]chat_id=[^&#]"),
        "teams": ChatForm(teams, 4000, phrase("channels.hint-teams")),
    }
)
"""The forms by the name under which addresses know them."""


class Chat(Webhook):
    """Posts the words of an alert or a notice to a chat, in its form."""

    def __init__(self, client: SafeClient, chat_form: ChatForm) -> None:
        super().__init__(client)
        self._chat_form = chat_form

    def check_address(self, address: str) -> str:
        """The URL as it is stored; BadInput when it isn't one that we call, or not one of this form."""
        url = super().check_address(address)
        if re.search(self._chat_form.url, url) is None:
            raise BadInput(phrase("channels.wrong-form", hint=self._chat_form.hint))
        return url

    def send(self, outgoing: Outgoing) -> SendResult:
        """Post it once: as many whole lines as fit, since markup that is escaped may double a character."""
        secret = outgoing.secrets[0] if outgoing.secrets else ""
        if self._chat_form.needs_token and re.fullmatch(r"[!-~]{1,500}", secret) is None:
            raise ChannelError("no_secret", phrase("channels.token-missing"), permanent=True, ours=True)
        payload = payload_of(outgoing)
        data, push = payload.get("data"), push_of(payload)
        assert isinstance(data, Mapping), "every payload has data"
        kept: list[str] = []
        left = self._chat_form.longest
        for line in str(data["text"]).splitlines():
            left -= len(line) + (1 if kept else 0)
            if left < 0:
                kept.append("…")
                break
            kept.append(line)
        text = "\n".join(kept)
        post = ChatPost(outgoing.address, text, outgoing.message_id, secret, push.link, push.is_urgent)
        return call_hook(self._client, self._chat_form.build(post), outgoing.attempted_at)
