"""A whole installation for tests: real store, stages and receivers, invented weather, any `now`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import select

from alerts.common.phrases import kept
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.weather.forecast import Place
from alerts.wishes.model import DEFAULT_WISHES
from service.app import Duskbell
from service.channels.webhook import new_secret
from service.demo.play import (
    FLAT,
    LOOPBACK,
    SATURDAY,
    ChatRoom,
    InventedSky,
    MailBox,
    Turn,
    chat_server,
    mail_server,
)
from service.feeds.shared.model import FeedFailure, Gathered
from service.pipeline.run_cycle import run_cycle
from service.settings import Settings
from service.store.maintenance.invariants import find_broken
from service.store.repositories import people, subscriptions
from service.store.repositories.sites import add_site
from service.store.schema.core_tables import AlertRow, DecisionRow, MessageRow

MAIL = "you@example.org"
START = datetime(2027, 6, 30, 16, 7, tzinfo=UTC)
ON_THE_DAY = datetime(2027, 7, 3, 7, 7, tzinfo=UTC)
GO_TIME = datetime(2027, 7, 3, 17, 7, tzinfo=UTC)
LATER = datetime(2027, 7, 3, 20, 37, tzinfo=UTC)
CLEAR_PCT = -6.0
"""Of a script whose cloudiest model sees none: a night that is clear for all."""
SUNDAY = datetime(2027, 7, 4, 9, 7, tzinfo=UTC)


class Weather:
    """Weather that a test turns as it likes."""

    def __init__(self, cloud_pct: float) -> None:
        self.cloud_pct = cloud_pct
        self.wind_ms = 3.0
        self.is_down = False
        self.asked = 0

    def gather(self, places: Sequence[Place], hours: Span) -> Gathered:
        self.asked += 1
        if self.is_down:
            return Gathered(failures=(FeedFailure("invented", "", kept("the invented feed is down.")),))
        turns = [Turn(START - timedelta(days=30), SATURDAY, self.cloud_pct, self.wind_ms)]
        return InventedSky(dict.fromkeys(places, turns)).gather(places, hours)


@dataclass
class World:
    duskbell: Duskbell
    box: MailBox
    room: ChatRoom
    weather: Weather
    wall: datetime = START
    latest: datetime = START

    def cycle(self, now: datetime) -> dict[str, int]:
        self.latest = max(self.latest, now)
        return run_cycle(self.duskbell, now)

    def broken(self) -> list[str]:
        """Promises that the rows show to be broken."""
        with self.duskbell.sessions() as session:
            return find_broken(session, now=self.latest, wall=self.wall)

    def kinds(self) -> list[str]:
        """The alerts that were raised, oldest first."""
        with self.duskbell.sessions() as session:
            return list(session.scalars(select(AlertRow.kind).order_by(AlertRow.id)))

    def statuses(self) -> list[str]:
        with self.duskbell.sessions() as session:
            query = select(MessageRow.status).order_by(MessageRow.created_at, MessageRow.id)
            return list(session.scalars(query))

    def verdict(self) -> str:
        """The newest verdict for the Saturday."""
        with self.duskbell.sessions() as session:
            query = select(DecisionRow.verdict).where(DecisionRow.night_name == SATURDAY)
            return session.scalars(query.order_by(DecisionRow.id.desc())).first() or ""

    def subjects(self) -> list[str]:
        return [str(mail["Subject"]) for _, mail in self.box.mails]


@contextmanager
def open_world(
    folder: Path, store_url: str, *, cloud_pct: float = CLEAR_PCT, site: Site = FLAT
) -> Iterator[World]:
    """One site, one person who takes mail, one chat; both subscribed. Every promise must hold in the end."""
    box, room = MailBox(folder), ChatRoom(folder)
    weather = Weather(cloud_pct)
    with ExitStack() as stack:
        smtp_port = stack.enter_context(mail_server(box.take))
        chat_port = stack.enter_context(chat_server(room.take))
        settings = Settings(
            data_dir=folder,
            database_url=store_url,
            contact="test@example.org",
            smtp_host=LOOPBACK,
            smtp_port=smtp_port,
            smtp_security="none",
            webhook_allow=(f"{LOOPBACK}:{chat_port}",),
        )
        duskbell = Duskbell(settings, invented_weather=weather.gather)
        world = World(duskbell, box, room, weather)
        duskbell.clock = lambda: world.wall
        duskbell.steady = lambda: world.wall.timestamp()
        _settle(world, f"http://{LOOPBACK}:{chat_port}/club", site)
        yield world
        assert world.broken() == []
        world.duskbell.engine.dispose()


def _settle(world: World, chat_url: str, site: Site) -> None:
    with world.duskbell.sessions.begin() as session:
        owner = people.get_operator(session, zone=site.zone, now=START)
        row = add_site(session, owner, site, elevation_known=True, now=START)
        mail = people.add_address(session, owner, "email", MAIL, secrets=[], now=START, is_own=True)
        chat = people.add_address(session, owner, "webhook", chat_url, secrets=[new_secret()], now=START)
        subscriptions.subscribe(session, mail, row, DEFAULT_WISHES, now=START)
        subscriptions.subscribe(session, chat, row, DEFAULT_WISHES, now=START)
