"""A mail server and a chat receiver on loopback, for as long as the demo runs."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

LOOPBACK = "127.0.0.1"
LARGEST_BODY = 64 * 1024
STOP_SEEN_WITHIN_S = 0.02


@dataclass
class MailBox:
    """Keeps what arrives, in memory and as numbered .eml files."""

    folder: Path
    mails: list[tuple[Path, EmailMessage]] = field(default_factory=list)

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802
        content = envelope.original_content or b""
        mail = message_from_bytes(content, policy=policy.default)
        assert isinstance(mail, EmailMessage), "the default policy makes these"
        path = self.folder / f"mail-{len(self.mails) + 1:02}.eml"
        path.write_bytes(content)
        self.mails.append((path, mail))
        return "250 taken"


@dataclass
class ChatRoom:
    """Keeps the JSON that arrives, in memory and as numbered files."""

    folder: Path
    posts: list[tuple[Path, dict[str, Any]]] = field(default_factory=list)

    def take(self, body: bytes) -> None:
        path = self.folder / f"chat-{len(self.posts) + 1:02}.json"
        post = json.loads(body)
        path.write_text(json.dumps(post, indent=2, ensure_ascii=False), encoding="utf-8")
        self.posts.append((path, post))


@contextmanager
def mail_server(box: MailBox) -> Iterator[int]:
    """A real SMTP server that puts its mail into `box`; yields its port."""
    port = _free_port()
    controller = Controller(box, hostname=LOOPBACK, port=port, ready_timeout=10)
    controller.start()
    try:
        yield port
    finally:
        controller.stop()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def chat_server(room: ChatRoom) -> Iterator[int]:
    """A real HTTP server that puts what is posted into `room`; yields its port."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = min(int(self.headers.get("Content-Length", 0)), LARGEST_BODY)
            room.take(self.rfile.read(length))
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing: the demo tells its own story."""

    server = ThreadingHTTPServer((LOOPBACK, 0), Handler)
    thread = threading.Thread(target=lambda: server.serve_forever(STOP_SEEN_WITHIN_S), daemon=True)
    thread.start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
