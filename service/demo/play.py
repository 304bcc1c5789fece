"""Play the story through the real service: real store, stages and deliveries, and receivers on loopback."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from socketserver import BaseServer, StreamRequestHandler, ThreadingTCPServer
from typing import Any

from alerts.common.phrases import say
from alerts.wishes.model import DEFAULT_WISHES
from service.app import Duskbell
from service.channels.webhook import new_secret
from service.demo.story import FLAT, SITES, TICKS, YOU, ZONE, invented_sky
from service.pipeline.run_cycle import run_cycle
from service.settings import Settings
from service.store.repositories import addresses, people, subscriptions
from service.store.repositories.sites import add_site

Tell = Callable[[str], None]
Take = Callable[[bytes], None]
"""Given what arrives, one after the other."""


@dataclass(frozen=True, slots=True)
class Played:
    """What is left of the story: the installation, and what arrived."""

    duskbell: Duskbell
    box: MailBox
    room: ChatRoom


@contextmanager
def stage(folder: Path) -> Iterator[Played]:
    """A wired installation in that folder, with its receivers listening until the end."""
    arrived = folder / "arrived"
    arrived.mkdir(parents=True)
    box, room = MailBox(arrived), ChatRoom(arrived)
    with ExitStack() as stack:
        smtp_port = stack.enter_context(mail_server(box.take))
        chat_port = stack.enter_context(chat_server(room.take))
        duskbell = Duskbell(_settings(folder, smtp_port, chat_port), invented_weather=invented_sky().gather)
        _people_and_places(duskbell, f"http://{LOOPBACK}:{chat_port}/club", TICKS[0].at)
        yield Played(duskbell, box, room)
        duskbell.engine.dispose()


def play(played: Played, tell: Tell) -> None:
    """Run the story's cycles one after the other, telling what each brought."""
    for number, tick in enumerate(TICKS, start=1):
        tell(f"[{number:>2}/{len(TICKS)}] {say(tick.text)}")
        mails, posts = len(played.box.mails), len(played.room.posts)
        run_cycle(played.duskbell, tick.at)
        came = [
            *(("mail", path.name, mail["Subject"]) for path, mail in played.box.mails[mails:]),
            *(("chat", path.name, post["type"]) for path, post in played.room.posts[posts:]),
        ]
        for by, file, what in came:
            tell(f"        {say('demo.arrived', by=by, file=file, what=what)}")
        if not came:
            tell(f"        {say('demo.silence')}")


def _settings(folder: Path, smtp_port: int, chat_port: int) -> Settings:
    """Settings of the demo alone; nothing of a real installation is read or written."""
    return Settings(
        data_dir=folder,
        database_url=f"sqlite:///{folder / 'demo.sqlite3'}",
        outbox_dir=folder / "outbox",
        contact="demo@example.org",
        smtp_host=LOOPBACK,
        smtp_port=smtp_port,
        smtp_security="none",
        smtp_user="",
        smtp_password=None,
        mail_from="duskbell@example.org",
        webhook_allow=(f"{LOOPBACK}:{chat_port}",),
        cycle_minutes=30,
    )


def _people_and_places(duskbell: Duskbell, chat_url: str, now: datetime) -> None:
    with duskbell.sessions.begin() as session:
        owner = people.get_operator(session, zone=ZONE, now=now)
        sites = {site: add_site(session, owner, site, elevation_known=True, now=now) for site in SITES}
        mail = addresses.add_address(session, owner, "email", YOU, secrets=[], now=now, is_own=True)
        chat = addresses.add_address(session, owner, "webhook", chat_url, secrets=[new_secret()], now=now)
        for row in sites.values():
            subscriptions.subscribe(session, mail, row, DEFAULT_WISHES, now=now)
        subscriptions.subscribe(session, chat, sites[FLAT], DEFAULT_WISHES, now=now)


LOOPBACK = "127.0.0.1"
LARGEST_BODY = 64 * 1024
LONGEST_LINE = 1000
"""With its end (RFC 5321, 4.5.3.1.6)."""
STOP_SEEN_WITHIN_S = 0.02


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
def mail_server(take: Take) -> Iterator[int]:
    """A real SMTP server that hands on its mail; yields its port.

    It says as much of RFC 5321 as our own sender needs: no extension, and every recipient is taken.
    """
    one_at_a_time = threading.Lock()

    class MailHandler(StreamRequestHandler):
        def handle(self) -> None:
            self._answer(b"220 the demo's mail server")
            while (line := self.rfile.readline(LONGEST_LINE)) and not line.upper().startswith(b"QUIT"):
                if line.upper().startswith(b"DATA"):
                    self._answer(b"354 go ahead")
                    lines = iter(lambda: self.rfile.readline(LONGEST_LINE), b".\r\n")
                    content = b"".join(each.removeprefix(b".") for each in lines)
                    with one_at_a_time:
                        take(content)
                self._answer(b"250 taken")
            self._answer(b"221 goodbye")

        def _answer(self, line: bytes) -> None:
            self.wfile.write(line + b"\r\n")

    with _Patient((LOOPBACK, 0), MailHandler) as server, _running(server):
        yield server.server_address[1]


class _Patient(ThreadingTCPServer):
    """Many senders may come at once."""

    daemon_threads = True
    request_queue_size = 128


@contextmanager
def chat_server(take: Take) -> Iterator[int]:
    """A real HTTP server that hands on what is posted; yields its port."""
    one_at_a_time = threading.Lock()

    class PostHandler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = min(int(self.headers.get("Content-Length", 0)), LARGEST_BODY)
            body = self.rfile.read(length)
            with one_at_a_time:
                take(body)
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing: the demo tells its own story."""

    with ThreadingHTTPServer((LOOPBACK, 0), PostHandler) as server, _running(server):
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
