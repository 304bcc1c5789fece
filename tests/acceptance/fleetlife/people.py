"""People who come in while the fleet runs: addresses of both kinds, each subscribed to two sites."""

from __future__ import annotations

import random
from datetime import UTC, datetime

from sqlalchemy.orm import Session, sessionmaker

from alerts.sites.model import Site
from alerts.sky.night import SkyWishes, Target, TargetKind
from alerts.wishes.model import Wishes
from service.channels.webhook import new_secret
from service.store.repositories import people, subscriptions
from service.store.repositories.sites import add_site
from service.store.schema.core_tables import AddressRow, PersonRow, SiteRow

EVERY_DEG = 6
"""Sites stand around the world, so that at some of them it is always time to go."""
MAILS_ONE_IN = 5


def wishes() -> Wishes:
    """Any dark hour will do, whatever the Moon does, and any time is right to be told: there is always
    something to say."""
    return Wishes(sky=SkyWishes(target=Target(TargetKind.NONE), moonless=False), chance_go_pct=60, quiet=None)


class Crowd:
    """Makes the people. chat_port: where their chats listen."""

    def __init__(self, sessions: sessionmaker[Session], chat_port: int) -> None:
        self._sessions = sessions
        self._chat_port = chat_port
        self._random = random.Random(7)
        self._site_ids = self._build_sites()
        self.addresses = 0

    def _build_sites(self) -> list[int]:
        now = datetime.now(UTC)
        with self._sessions.begin() as session:
            owner = people.get_operator(session, zone="UTC", now=now)
            return [
                add_site(
                    session, owner, Site(f"Ring {lon}", 12.0, float(lon)), elevation_known=True, now=now
                ).id
                for lon in range(-180, 180, EVERY_DEG)
            ]

    def come_in(self, count: int) -> None:
        """That many new addresses, in one transaction."""
        now = datetime.now(UTC)
        with self._sessions.begin() as session:
            owner = people.get_operator(session, zone="UTC", now=now)
            for _ in range(count):
                self.addresses += 1
                address = self._address(session, owner, now)
                for site_id in self._random.sample(self._site_ids, 2):
                    site = session.get_one(SiteRow, site_id)
                    subscriptions.subscribe(session, address, site, wishes(), now=now)

    def _address(self, session: Session, owner: PersonRow, now: datetime) -> AddressRow:
        number = self.addresses
        if number % MAILS_ONE_IN == 0:
            return people.add_address(session, owner, "email", f"p{number}@example.org", secrets=[], now=now)
        url = f"http://127.0.0.1:{self._chat_port}/{number}"
        return people.add_address(session, owner, "webhook", url, secrets=[new_secret()], now=now)
