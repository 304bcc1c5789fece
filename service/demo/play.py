"""Play the story through the real service: real store, stages and deliveries, invented weather."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from service.app import Duskbell
from service.channels.webhook import new_secret
from service.demo.demo_receivers import LOOPBACK, ChatRoom, MailBox, chat_server, mail_server
from service.demo.story import FLAT, SITES, TICKS, YOU, ZONE, Tick, invented_sky
from service.pipeline.run_cycle import run_cycle
from service.settings import Settings
from service.store.repositories import people
from service.store.repositories.sites import add_site

Say = Callable[[str], None]


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
        smtp_port = stack.enter_context(mail_server(box))
        chat_port = stack.enter_context(chat_server(room))
        duskbell = Duskbell(_settings(folder, smtp_port, chat_port), invented_weather=invented_sky().gather)
        _people_and_places(duskbell, f"http://{LOOPBACK}:{chat_port}/club", TICKS[0].at)
        yield Played(duskbell, box, room)
        duskbell.engine.dispose()


def play(played: Played, say: Say) -> None:
    """Run the story's cycles one after the other, saying what each brought."""
    for number, tick in enumerate(TICKS, start=1):
        say(f"[{number:>2}/{len(TICKS)}] {tick.text}")
        mails, posts = len(played.box.mails), len(played.room.posts)
        run_cycle(played.duskbell, tick.at)
        for line in _arrivals(played, mails, posts, tick):
            say(f"        {line}")


def _arrivals(played: Played, mails: int, posts: int, _tick: Tick) -> Iterator[str]:
    for path, mail in played.box.mails[mails:]:
        yield f"mail ({path.name}): {mail['Subject']}"
    for path, post in played.room.posts[posts:]:
        yield f"chat ({path.name}): {post['type']}"
    if (mails, posts) == (len(played.box.mails), len(played.room.posts)):
        yield "silence"


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
        mail = people.add_address(session, owner, "email", YOU, secrets=[], now=now, is_own=True)
        chat = people.add_address(session, owner, "webhook", chat_url, secrets=[new_secret()], now=now)
        for row in sites.values():
            people.subscribe(session, mail, row, people.default_wishes(), now=now)
        people.subscribe(session, chat, sites[FLAT], people.default_wishes(), now=now)
