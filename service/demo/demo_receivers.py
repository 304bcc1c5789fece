"""A mail server and a chat receiver on loopback, for as long as the demo runs."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from socketserver import BaseServer, StreamRequestHandler, ThreadingTCPServer
from typing import Any, Protocol

LOOPBACK = "127.0.0.1"
LARGEST_BODY = 64 * 1024
LONGEST_LINE = 1000
"""With its end (RFC 5321, 4.5.3.1.6)."""
STOP_SEEN_WITHIN_S = 0.02


class Takes(Protocol):
    """What arrives goes there, one after the other."""

    def take(self, body: bytes) -> None: ...


@dataclass
class MailBox:
    """Keeps what arrives, in memory and as numbered .eml files."""

    folder: Path
    mails: list[tuple[Path, EmailMessage]] = field(default_factory=list)

    def take(self, body: bytes) -> None:
        mail = message_from_bytes(body, policy=policy.default)
        assert isinstance(mail, EmailMessage), "the default policy makes these"
        path = self.folder / f"mail-{len(self.mails) + 1:02}.eml"
        path.write_bytes(body)
        self.mails.append((path, mail))


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
def mail_server(box: Takes) -> Iterator[int]:
    """A real SMTP server that puts its mail into `box`; yields its port.

    It says as much of RFC 5321 as our own sender needs: no extension, and every recipient is taken.
    """
    one_at_a_time = threading.Lock()

    class Handler(StreamRequestHandler):
        def handle(self) -> None:
            self._answer(b"220 the demo's mail server")
            while (line := self.rfile.readline(LONGEST_LINE)) and not line.upper().startswith(b"QUIT"):
                if line.upper().startswith(b"DATA"):
                    self._answer(b"354 go ahead")
                    lines = iter(lambda: self.rfile.readline(LONGEST_LINE), b".\r\n")
                    content = b"".join(each.removeprefix(b".") for each in lines)
                    with one_at_a_time:
                        box.take(content)
                self._answer(b"250 taken")
            self._answer(b"221 goodbye")

        def _answer(self, line: bytes) -> None:
            self.wfile.write(line + b"\r\n")

    with _Patient((LOOPBACK, 0), Handler) as server, _running(server):
        yield server.server_address[1]


class _Patient(ThreadingTCPServer):
    """Many senders may come at once."""

    daemon_threads = True
    request_queue_size = 128


@contextmanager
def chat_server(room: Takes) -> Iterator[int]:
    """A real HTTP server that puts what is posted into `room`; yields its port."""
    one_at_a_time = threading.Lock()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = min(int(self.headers.get("Content-Length", 0)), LARGEST_BODY)
            body = self.rfile.read(length)
            with one_at_a_time:
                room.take(body)
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing: the demo tells its own story."""

    with ThreadingHTTPServer((LOOPBACK, 0), Handler) as server, _running(server):
        yield server.server_port


@contextmanager
def _running(server: BaseServer) -> Iterator[None]:
    thread = threading.Thread(target=lambda: server.serve_forever(STOP_SEEN_WITHIN_S), daemon=True)
    thread.start()
    try:
        yield
    finally:
        server.shutdown()
        thread.join()
