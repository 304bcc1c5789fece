"""The one place that wires settings, store, sky, feeds, channels and clock together."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING

from sqlalchemy import Engine
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night
from alerts.weather.forecast import Forecast, Place
from service.channels.model import Channel
from service.common.clock import real_clock
from service.common.kept_sky import open_ephemeris
from service.common.secret_key import Keys, load_keys
from service.feeds.shared.model import Gather, Gathered
from service.observations.model import Ask, Heard, Observe
from service.settings import Settings, load_settings
from service.store.engine import open_engine
from service.store.migrate import require_current

if TYPE_CHECKING:
    from service.common.metrics import Metrics
    from service.delivery.dispatcher import Delivery

ALLOCATIONS_BETWEEN = 200_000
"""Net allocations between two passes of the collector of reference cycles; the interpreter's own is 700. Each
pass over all objects grows with what is at hand, and 1,000 sites have a million of them: 95 % of their pages
came within 262 ms by the interpreter's setting, within 24 ms by this one (tests/bench/web.py). More processes
would each do the same."""
LIVE = frozenset(
    {
        *("contact", "open_meteo_noncommercial", "open_meteo_key", "operator_email", "named_targets"),
        *("smtp_host", "smtp_port", "smtp_security", "smtp_user", "smtp_password", "mail_from"),
    }
)
"""Settings that setup changes and a running service takes up at once: they are read at each use."""


@dataclass
class Duskbell:
    """A wired installation. Expensive parts are made when first used, and what makes them is imported then:
    feeds, channels and delivery take half as long again as all else, and most commands need none of them.

    clock: what the wall's clock shows.  steady: seconds of a clock that nobody sets, to measure how long.
    invented_stations: who stands for weather stations; where the weather is invented no real one is asked.
    """

    settings: Settings
    clock: Callable[[], datetime] = real_clock
    steady: Callable[[], float] = time.monotonic
    invented_weather: Gather | None = None
    invented_stations: Observe | None = None

    def __post_init__(self) -> None:
        gc.set_threshold(ALLOCATIONS_BETWEEN)

    @property
    def invented(self) -> bool:
        """Whether what is told must be marked as made up."""
        return self.invented_weather is not None

    def use(self, settings: Settings) -> tuple[str, ...]:
        """Go on by what setup may have changed, without a new start: the channels in use send by it from the
        next message on. The names of changed settings that wait for a new start."""
        before = self.settings
        changed = [name for name in Settings.model_fields if getattr(settings, name) != getattr(before, name)]
        live = {name: getattr(settings, name) for name in changed if name in LIVE}
        if live:
            self.settings = before.model_copy(update=live)
            if "channels" in self.__dict__:
                self.channels.update(_channels_of(self.settings))
        return tuple(name for name in changed if name not in LIVE)

    def gather(self, places: Sequence[Place], hours: Span) -> Gathered:
        """What the feeds say now about those places over those hours."""
        if self.invented_weather is not None:
            gathered = self.invented_weather(places, hours)
        else:
            from service.feeds.store_access import ask_feeds

            gathered = ask_feeds(self.settings, self.sessions, places, hours)
        self.metrics.count_failures((each.feed, each.why) for each in gathered.failures)
        return gathered

    def observe(self, asks: Sequence[Ask], budget_s: float | None = None) -> Heard:
        """What weather stations near those places reported over those hours; nothing where the weather is
        invented or nobody says who asks. budget_s: for all sources together; None: as for nights gone by."""
        if self.invented_stations is not None:
            return self.invented_stations(asks)
        if self.invented or not self.settings.contact:
            return Heard()
        from service.observations.station_wiring import BUDGET_S, ask_stations, client_of

        with client_of(self.settings, self.sessions) as client:
            return ask_stations(self.settings, asks, client, budget_s or BUDGET_S)

    def ask_now(
        self, site: Site, night: Night, hours: Span, now: datetime, elevation_m: float | None
    ) -> tuple[Gathered, list[Forecast]]:
        """What the feeds say to one person who waits; see `service.feeds.sight_requests.ask_both`."""
        if self.invented_weather is not None:
            gathered = self.invented_weather([Place(site.lat_deg, site.lon_deg, elevation_m)], hours)
            return gathered, list(gathered.forecasts)
        from service.feeds.sight_requests import ask_both
        from service.feeds.store_access import behind_store

        behind = behind_store(self.settings, self.sessions)
        return ask_both(behind, site, night, hours, now, elevation_m)

    @cached_property
    def engine(self) -> Engine:
        engine = open_engine(self.settings.store_url)
        require_current(engine)
        return engine

    @cached_property
    def sessions(self) -> sessionmaker[Session]:
        return sessionmaker(self.engine, expire_on_commit=False)

    @cached_property
    def ephemeris(self) -> Ephemeris:
        return open_ephemeris()

    @cached_property
    def channels(self) -> dict[str, Channel]:
        return _channels_of(self.settings)

    @cached_property
    def keys(self) -> Keys:
        configured = self.settings.secret_key
        return load_keys(self.settings.data_dir, configured.get_secret_value() if configured else "")

    @cached_property
    def metrics(self) -> Metrics:
        """What this process counts."""
        from service.common.metrics import Metrics

        return Metrics()

    @cached_property
    def delivery(self) -> Delivery:
        """What sends messages; shared by the cycle, the postman and the pages of this process."""
        from service.delivery.claim import Links
        from service.delivery.custom_templates import read_templates
        from service.delivery.dispatcher import Delivery
        from service.delivery.enclosures import EnclosureBuilder

        links = Links(self.keys, self.settings.public_url)
        workshop = EnclosureBuilder(lambda: self.ephemeris, *read_templates(self.settings.template_dir))
        return Delivery(self.sessions, self.channels, lambda: self.clock(), links, workshop, self.metrics)


def _channels_of(settings: Settings) -> dict[str, Channel]:
    from service.channels.channel_registry import build_channels

    return build_channels(settings)


def build() -> Duskbell:
    """Duskbell as the settings describe it; BadSettings or StoreError when they can't be used."""
    return Duskbell(load_settings())


@contextmanager
def changing() -> Iterator[tuple[Session, Duskbell, datetime]]:
    """One change of the store, as a command makes it: its transaction, the installation and the time."""
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        yield session, duskbell, now
