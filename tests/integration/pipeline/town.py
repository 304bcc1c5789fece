"""Some sites and four people who wish different things of them, without receivers."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from sqlalchemy import select

from alerts.sites.model import HorizonLine
from alerts.sky.night import SkyWishes
from alerts.wishes.model import Wishes
from service.app import Duskbell
from service.demo.play import FLAT
from service.settings import Settings
from service.store.repositories import people, subscriptions
from service.store.repositories.sites import add_site
from service.store.schema.core_tables import SiteRow
from tests.integration.pipeline.world import START, Weather

HALF_HOUR = timedelta(minutes=30)
RIDGE = HorizonLine((0.0, 120.0, 240.0), (2.0, 9.0, 5.0))
WISHES = (
    Wishes(sky=SkyWishes(lowest_altitude_deg=None)),
    Wishes(sky=SkyWishes(lowest_altitude_deg=None), drive=timedelta(hours=4)),
    Wishes(sky=SkyWishes(lowest_altitude_deg=None), shortest_window=timedelta(hours=1), chance_go_pct=80),
    Wishes(sky=SkyWishes(lowest_altitude_deg=12.0), days_ahead=2),
)


@contextmanager
def town(folder: Path, *, sites: int = 4, weather: Weather | None = None) -> Iterator[Duskbell]:
    """Sites close together, and four people who watch them all; nobody is sent anything."""
    settings = Settings(data_dir=folder, database_url=f"sqlite:///{folder / 'town.sqlite3'}")
    duskbell = Duskbell(settings, invented_weather=(weather or Weather(20.0)).gather)
    with duskbell.sessions.begin() as session:
        owner = people.get_operator(session, zone=FLAT.zone, now=START)
        for k in range(sites):
            site = replace(
                FLAT,
                name=f"Site {k}",
                lat_deg=FLAT.lat_deg + 0.002 * k,
                horizon=RIDGE if k % 2 else HorizonLine(),
            )
            add_site(session, owner, site, elevation_known=True, now=START)
        for k, wishes in enumerate(WISHES):
            address = people.add_address(session, owner, "email", f"p{k}@example.org", secrets=[], now=START)
            for row in session.scalars(select(SiteRow)).all():
                subscriptions.subscribe(session, address, row, wishes, now=START)
    yield duskbell
    duskbell.engine.dispose()
