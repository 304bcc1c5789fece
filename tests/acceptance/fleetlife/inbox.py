"""Where everything arrives: chats and mail on loopback, each message counted by its id."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

LOOPBACK = "127.0.0.1"


class Inbox:
    """What arrived: how often each message did, and when first (Unix seconds)."""

    def __init__(self) -> None:
        self.times: Counter[str] = Counter()
        self.first_at: dict[str, float] = {}
        self._lock = threading.Lock()

    def take(self, message_id: str) -> None:
        with self._lock:
            self.times[message_id] += 1
            self.first_at.setdefault(message_id, time.time())

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:
        content = envelope.original_content or b""
        head = content.partition(b"\r\n\r\n")[0].decode("ascii", "replace")
        line = next(each for each in head.splitlines() if each.lower().startswith("message-id:"))
        self.take(line.partition("<")[2].partition("@")[0])
        return "250 taken"


@contextmanager
def open_inbox() -> Iterator[tuple[Inbox, int, int]]:
    """The inbox with the ports of its chat and mail servers."""
    inbox = Inbox()

    class Chat(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length", 0)))
            inbox.take(self.headers["webhook-id"])
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing."""

    class Server(ThreadingHTTPServer):
        request_queue_size = 128
        daemon_threads = True

    chat = Server((LOOPBACK, 0), Chat)
    threading.Thread(target=chat.serve_forever, daemon=True).start()
    mail = Controller(inbox, hostname=LOOPBACK, port=_free_port(), ready_timeout=10)
    mail.start()
    try:
        yield inbox, chat.server_port, mail.port
    finally:
        mail.stop()
        chat.shutdown()
        chat.server_close()


def _free_port() -> int:
    import socket

    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port
