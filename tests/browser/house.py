"""A whole Duskbell on loopback for a real browser: real store, stages and server, invented weather.

Its clock stands at the moment that a test sets, so that a week passes in seconds.
"""

from __future__ import annotations

import re
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from service.accounts.access import make_owner_link
from service.app import Duskbell
from service.delivery import dispatcher
from service.demo.play import LOOPBACK, ChatRoom, chat_server
from service.pipeline.run_cycle import run_cycle
from service.settings import Settings
from service.web.app import build_app
from service.web.server import build_server
from tests.integration.pipeline.world import CLEAR_PCT, START, Weather

SERVER_TRIES = 1000


@dataclass
class House:
    """The running installation. now: what its clock says."""

    duskbell: Duskbell
    address: str
    room: ChatRoom
    chat_url: str
    now: datetime = START

    def cycle(self, now: datetime) -> None:
        """Let it be that moment, and run all stages."""
        self.now = now
        run_cycle(self.duskbell, now)

    def deliver(self) -> None:
        dispatcher.run(self.duskbell.delivery, self.now)

    def pass_time(self, passed: timedelta) -> None:
        self.now += passed

    def owner_link(self) -> str:
        """As it is printed where Duskbell starts."""
        with self.duskbell.sessions.begin() as session:
            return make_owner_link(session, self.now, public_url=self.duskbell.settings.public_url)

    def mails(self) -> list[EmailMessage]:
        """What lies in the outbox, oldest first."""
        files = sorted(self.duskbell.settings.outbox.glob("*.eml"), key=lambda path: path.stat().st_mtime_ns)
        return [_read_mail(path) for path in files]

    def link_in_mail(self, way: str) -> str:
        """The newest address of that way in the outbox: http://…/confirm/…"""
        found = [re.search(rf"http://[^\s\"<>]+/{way}/[\w-]+", text_of(mail)) for mail in self.mails()]
        return [match[0] for match in found if match][-1]


def _read_mail(path: Path) -> EmailMessage:
    mail = message_from_bytes(path.read_bytes(), policy=policy.default)
    assert isinstance(mail, EmailMessage), "the default policy makes these"
    return mail


def text_of(mail: EmailMessage) -> str:
    part = mail.get_body(preferencelist=("plain",))
    assert part is not None, "every mail has a text part"
    return str(part.get_content())


@contextmanager
def open_house(folder: Path, empty_store: Path, **settings: Any) -> Iterator[House]:
    """A house without sites: as Duskbell stands after its first start."""
    shutil.copy(empty_store, folder / "duskbell.sqlite3")
    room = ChatRoom(folder)
    with chat_server(room.take) as chat_port:
        port = free_port()
        duskbell = Duskbell(
            Settings(
                data_dir=folder,
                contact="test@example.org",
                web_port=port,
                webhook_allow=(f"{LOOPBACK}:{chat_port}",),
                **settings,
            ),
            invented_weather=Weather(CLEAR_PCT).gather,
        )
        house = House(duskbell, duskbell.settings.public_url, room, f"http://{LOOPBACK}:{chat_port}/club")
        duskbell.clock = lambda: house.now
        with serving(house, port):
            yield house
        duskbell.engine.dispose()


@contextmanager
def serving(house: House, port: int) -> Iterator[None]:
    """Pages on that port until the block ends: then nobody answers there."""
    server = build_server(build_app(house.duskbell), LOOPBACK, port)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    for _ in range(SERVER_TRIES):
        if server.started:
            break
        time.sleep(0.01)
    try:
        yield
    finally:
        server.should_exit = True
        thread.join(timeout=10)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port
