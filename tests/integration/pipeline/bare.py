"""An installation that asks real feeds and reaches none of them here: for what is said without weather."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from alerts.sites.model import Site
from alerts.wishes.model import DEFAULT_WISHES
from service.app import Duskbell
from service.reports.ring_check import RingCheck
from service.settings import Settings
from service.store.repositories import people, subscriptions
from service.store.repositories.sites import add_site
from service.store.schema.core_tables import SiteRow
from tests.integration.conftest import NewStore

T = TypeVar("T")
NOW = datetime(2027, 6, 30, 16, 7, tzinfo=UTC)
FLAT = Site("Windpump Flat", 40.31, -1.42, 1180.0, "Europe/Madrid")
MESA = Site("Dry Mesa", 36.9, -111.5, 1300.0, "America/Phoenix")
FELL = Site("Grey Fell", 66.5, 25.7, 200.0, "Europe/Helsinki")
NOWHERE = "http://127.0.0.1:9"
DECLARED = {"open_meteo_noncommercial": True}
RELAY = {"smtp_host": "127.0.0.1"}


class Bare:
    """An installation with a real store, and the check asked of it."""

    def __init__(self, folder: Path, store_url: str, **settings: Any) -> None:
        given = {"contact": "you@example.org", "met_norway_url": NOWHERE, "nws_url": NOWHERE, **settings}
        self.duskbell = Duskbell(Settings(data_dir=folder, database_url=store_url, **given))

    @property
    def wall(self) -> datetime:
        return self.duskbell.clock()

    def settle(self, *sites: Site) -> dict[str, int]:
        """Sites of the operator's, by name."""
        with self.duskbell.sessions.begin() as session:
            owner = people.get_operator(session, zone="Europe/Madrid", now=NOW)
            return {
                site.name: add_site(session, owner, site, elevation_known=True, now=NOW).id for site in sites
            }

    def subscribe(
        self, site_id: int, channel: str = "email", target: str = "you@example.org", **wishes: Any
    ) -> int:
        with self.duskbell.sessions.begin() as session:
            owner = people.get_operator(session, zone="Europe/Madrid", now=NOW)
            address = people.add_address(session, owner, channel, target, secrets=[], now=NOW, is_own=True)
            row = session.get_one(SiteRow, site_id)
            wished = replace(DEFAULT_WISHES, **wishes)
            return subscriptions.subscribe(session, address, row, wished, now=NOW).id

    def ask(self, how: Callable[[RingCheck], T]) -> T:
        with self.duskbell.sessions() as session:
            return how(RingCheck(self.duskbell, session, NOW))

    def codes(self, person_id: int | None = None) -> list[str]:
        return [str(each.obstacle.code) for each in self.ask(lambda check: check.of_all(person_id))]

    def lines(self) -> list[str]:
        return [each.line() for each in self.ask(lambda check: check.of_all())]


@contextmanager
def opening(folder: Path, new_store: NewStore) -> Iterator[Callable[..., Bare]]:
    """Called with settings: an installation with a store of its own."""
    made: list[Bare] = []

    def open_bare(**settings: Any) -> Bare:
        own = folder / str(len(made))
        own.mkdir()
        made.append(Bare(own, new_store(own), **settings))
        return made[-1]

    yield open_bare
    for each in made:
        each.duskbell.engine.dispose()
