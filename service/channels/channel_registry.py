"""The channels there are, as data, and what each needs to be built."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from service.channels.apprise import NamedTargets
from service.channels.chat import CHAT_FORMS, Chat
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


def build_channels(wiring: Wiring) -> dict[str, Channel]:
    """One of each, ready to send, by the name under which addresses know it."""
    mail: Channel = OutboxFolder(wiring.outbox, wiring.sender)
    if wiring.mail_server is not None:
        mail = Email(wiring.mail_server, wiring.sender, return_path=wiring.return_path)
    chats = {name: Chat(wiring.client, chat_form) for name, chat_form in CHAT_FORMS.items()}
    return {
        "email": mail,
        "webhook": Webhook(wiring.client),
        **chats,
        "named": NamedTargets(wiring.named_targets),
    }


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
