"""The channels there are, as data, made as the settings say."""

from __future__ import annotations

from service.channels.apprise import NamedTargets
from service.channels.chat import CHAT_FORMS, Chat
from service.channels.email import Email, MailServer, OutboxFolder
from service.channels.model import Channel
from service.channels.safe_http import SafeClient
from service.channels.webhook import Webhook
from service.settings import Settings


def build_channels(
    settings: Settings, *, client: SafeClient | None = None, relay: MailServer | None = None
) -> dict[str, Channel]:
    """One of each, ready to send, by the name under which addresses know it.

    client: calls the addresses that users gave; relay: takes the mail; both in place of what the settings
    say. BadInput when an allow-list entry can't be read.
    """
    client = client or SafeClient(allow=settings.webhook_allow, proxy=settings.proxy)
    relay = relay or relay_of(settings)
    mail: Channel = OutboxFolder(settings.outbox, settings.mail_from)
    if relay is not None:
        mail = Email(relay, settings.mail_from, return_path=settings.mail_return_path)
    chats = {name: Chat(client, chat_form) for name, chat_form in CHAT_FORMS.items()}
    named = {name: url.get_secret_value() for name, url in settings.named_targets.items()}
    return {"email": mail, "webhook": Webhook(client), **chats, "named": NamedTargets(named)}


def relay_of(settings: Settings) -> MailServer | None:
    """The relay that the settings name; None means that mail is written to the outbox folder."""
    if not settings.smtp_host:
        return None
    return MailServer(
        host=settings.smtp_host,
        port=settings.smtp_port,
        security=settings.smtp_security,
        user=settings.smtp_user,
        password=settings.smtp_password.get_secret_value() if settings.smtp_password else "",
        proxy=settings.proxy,
    )
