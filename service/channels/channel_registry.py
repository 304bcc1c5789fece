"""The channels there are, as data, and what each needs to be built."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from types import MappingProxyType

from service.channels.apprise import NamedTargets
from service.channels.chat import CHAT_FORMS, Chat, ChatForm
from service.channels.email import Email, MailServer, OutboxFolder
from service.channels.model import Channel
from service.channels.safe_http import SafeClient
from service.channels.webhook import Webhook
from service.settings import Settings


@dataclass(frozen=True, slots=True)
class Wiring:
    """What channels are made of.

    mail_server: None means that mail is written to the outbox folder.
    client: the guarded client for addresses that users gave.
    named_targets: the operator's own, name to URL.
    """

    sender: str
    outbox: Path
    client: SafeClient
    mail_server: MailServer | None = None
    return_path: str = ""
    named_targets: Mapping[str, str] = field(default_factory=dict, repr=False)


def _email(wiring: Wiring) -> Channel:
    if wiring.mail_server is None:
        return OutboxFolder(wiring.outbox, wiring.sender)
    return Email(wiring.mail_server, wiring.sender, return_path=wiring.return_path)


def _webhook(wiring: Wiring) -> Channel:
    return Webhook(wiring.client)


def _named(wiring: Wiring) -> Channel:
    return NamedTargets(wiring.named_targets)


def _chat(chat_form: ChatForm, wiring: Wiring) -> Channel:
    return Chat(wiring.client, chat_form)


CHANNELS: Mapping[str, Callable[[Wiring], Channel]] = MappingProxyType(
    {
        "email": _email,
        "webhook": _webhook,
        **{name: partial(_chat, chat_form) for name, chat_form in CHAT_FORMS.items()},
        "named": _named,
    }
)
"""Every channel by the name under which addresses know it."""


def build_channels(wiring: Wiring) -> dict[str, Channel]:
    """One of each, ready to send."""
    return {name: build(wiring) for name, build in CHANNELS.items()}


def wiring_from(settings: Settings) -> Wiring:
    """What the settings say about mail and webhooks. BadInput when an allow-list entry can't be read."""
    password = settings.smtp_password.get_secret_value() if settings.smtp_password else ""
    server = MailServer(
        host=settings.smtp_host,
        port=settings.smtp_port,
        security=settings.smtp_security,
        user=settings.smtp_user,
        password=password,
        proxy=settings.proxy,
    )
    return Wiring(
        sender=settings.mail_from,
        outbox=settings.outbox,
        client=SafeClient(allow=settings.webhook_allow, proxy=settings.proxy),
        mail_server=server if settings.smtp_host else None,
        return_path=settings.mail_return_path,
        named_targets={name: url.get_secret_value() for name, url in settings.named_targets.items()},
    )
