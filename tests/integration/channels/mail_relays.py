"""Real SMTP servers on loopback that take mail, or say what a test tells them to say."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from service.channels.email import MailServer


class Relay:
    """An SMTP server that takes mail, but for the replies it is told to give; a test may change them.

    The reply to the recipient is for ada@ alone.
    """

    def __init__(self, *, sender: str = "", recipient: str = "", data: str = "") -> None:
        self.replies = {"sender": sender, "recipient": recipient, "data": data}
        self.taken: list[tuple[str | None, list[str], bytes]] = []

    async def handle_MAIL(
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        envelope.mail_from = address
        return self.replies["sender"] or "250 OK"

    async def handle_RCPT(
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        if self.replies["recipient"] and address.startswith("ada@"):
            return self.replies["recipient"]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:
        if self.replies["data"]:
            return self.replies["data"]
        assert isinstance(envelope.content, bytes)
        self.taken.append((envelope.mail_from, envelope.rcpt_tos, envelope.content))
        return "250 2.0.0 taken as 12345"


class LocalController(Controller):
    """aiosmtpd's controller on a port that the system chooses."""

    def _trigger_server(self) -> None:
        assert self.server is not None
        self.port = self.server.sockets[0].getsockname()[1]
        super()._trigger_server()


@contextmanager
def running(relay: Relay, **options: Any) -> Iterator[MailServer]:
    controller = LocalController(relay, hostname="127.0.0.1", port=0, **options)
    controller.start()
    try:
        yield MailServer(host="127.0.0.1", port=controller.port, security="none")
    finally:
        controller.stop()
