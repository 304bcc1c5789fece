"""The feeds as the settings describe them, and asking all at once. `store_access` puts a store behind."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.weather.forecast import Place
from alerts.weather.models import OPEN_METEO, reach_of_models
from service.common.deadline import Deadline
from service.feeds.met_norway import client as met_norway
from service.feeds.met_norway.client import MetNorway
from service.feeds.nws import client as nws
from service.feeds.nws.client import Nws
from service.feeds.open_meteo.client import OpenMeteo, OpenMeteoAccess
from service.feeds.shared import http_client, watched_sockets
from service.feeds.shared.cached_request import (
    AnswerCache,
    AskRound,
    Feed,
    MemoryCache,
    Patience,
)
from service.feeds.shared.checked_answers import FeedError
from service.feeds.shared.guards import (
    ALLOWANCES,
    DAY_S,
    FREE_OPEN_METEO,
    UNLIMITED_OPEN_METEO,
    Allowance,
    Guards,
    NoGuards,
)
from service.feeds.shared.model import FeedFailure, Gathered, attach_bulletins, failure_of, join
from service.feeds.shared.warnings_by_place import WarningsFeed
from service.settings import Settings

GRACE_S = 0.25
"""How long past the deadline a feed may take to hand over what it has."""


def feeds_from(settings: Settings, *, ensembles: bool = True) -> tuple[Feed, ...]:
    """The feeds that the settings name, off or on, in the order they are told. ensembles: those too, which
    weigh most."""
    key = settings.open_meteo_key
    access = OpenMeteoAccess(
        non_commercial=settings.open_meteo_noncommercial,
        share_alike=settings.open_meteo_share_alike,
        api_key=key.get_secret_value() if key else None,
        base_url=settings.open_meteo_url,
        ensemble_url=settings.open_meteo_ensemble_url,
        air_url=settings.open_meteo_air_url,
    )
    open_meteo = OpenMeteo(
        access,
        models=settings.open_meteo_models,
        ensembles=settings.open_meteo_ensembles if ensembles else (),
        air_quality=settings.open_meteo_air,
        by_height=settings.cloud_by_height,
    )
    feeds: list[Feed] = [open_meteo]
    if settings.met_norway:
        feeds.append(MetNorway(base_url=settings.met_norway_url))
    if settings.nws:
        feeds.append(Nws(base_url=settings.nws_url))
    if settings.official_warnings:
        feeds.append(WarningsFeed(met_norway.WARNINGS, base_url=settings.met_norway_url))
        feeds.append(WarningsFeed(nws.WARNINGS, base_url=settings.nws_url))
    return tuple(feeds)


def feeds_reach(settings: Settings, site: Site) -> timedelta:
    """How far ahead the feeds that are on look there, ensembles aside, which are asked for near nights alone;
    0 where none is, or the settings can't be read."""
    try:
        feeds = feeds_from(settings, ensembles=False)
    except BadInput:
        return timedelta(0)
    place = Place(site.lat_deg, site.lon_deg)
    return reach_of_models(row for feed in feeds if feed.off_because is None for row in feed.models_at(place))


def allowances_from(settings: Settings) -> Mapping[str, Allowance]:
    """What each provider allows this installation."""
    is_free = settings.open_meteo_key is None and not settings.open_meteo_url
    allowance = FREE_OPEN_METEO if is_free else UNLIMITED_OPEN_METEO
    if settings.open_meteo_daily_weight is not None:
        most = {**allowance.most, DAY_S: settings.open_meteo_daily_weight}
        allowance = replace(allowance, most=most)
    return {**ALLOWANCES, OPEN_METEO: allowance}


def gather(places: Place | Sequence[Place], hours: Span, feeds: Sequence[Feed], round_: AskRound) -> Gathered:
    """Ask all feeds that are on, side by side, and be back by the deadline.

    One feed that is down, slow or wrong never hurts the others: it is a failure in the result. A feed
    that hasn't come back in time is left behind in its own thread, which ends with the process.
    Results come in the order of `feeds`, whichever was faster. Official warnings ride on a forecast of
    their place; those of a place without any stay beside.
    """
    asked = (places,) if isinstance(places, Place) else tuple(places)
    on = [feed for feed in feeds if feed.off_because is None]
    off = tuple(
        FeedFailure(feed.name, "", feed.off_because, permanent=True)
        for feed in feeds
        if feed.off_because is not None
    )

    # each in a thread of its own, which hands over what it has
    back: queue.SimpleQueue[tuple[int, Gathered]] = queue.SimpleQueue()

    def run(index: int, feed: Feed) -> None:
        result = Gathered(failures=(FeedFailure(feed.name, "", phrase("feeds.broke", feed=feed.name)),))
        try:
            result = feed.fetch(asked, hours, replace(round_, patience=Patience()))
        except FeedError as error:
            result = Gathered(failures=(failure_of(feed.name, "", error),))
        finally:  # whatever else happens goes on to the log, and nobody waits for it
            back.put((index, result))

    for index, feed in enumerate(on):
        threading.Thread(target=run, args=(index, feed), daemon=True, name=f"feed-{feed.name}").start()

    # what came back before the deadline, and a moment more for feeds that end with it
    results: dict[int, Gathered] = {}
    with contextlib.suppress(queue.Empty):
        while len(results) < len(on):
            index, gathered = back.get(timeout=round_.deadline.remaining_s + GRACE_S)
            results[index] = gathered
    late = [FeedFailure(feed.name, "", phrase("feeds.late", name=feed.name)) for feed in on]
    parts = (results.get(index, Gathered(failures=(late[index],))) for index in range(len(on)))
    return attach_bulletins(join((Gathered(off=off), *parts)))


@dataclass(frozen=True, slots=True)
class FeedAccess:
    """By what feeds are asked: the settings, the answers known already, and who may be asked."""

    settings: Settings
    cache: AnswerCache
    guards: Guards

    def ask(
        self, feeds: Sequence[Feed], places: Sequence[Place], hours: Span, deadline: Deadline
    ) -> Gathered:
        """All these feeds, within the deadline. Places along a line of sight are left out where the settings
        say so."""
        if not self.settings.contact:
            return Gathered(off=(FeedFailure("all", "", phrase("feeds.no-contact"), permanent=True),))
        wanted = [place for place in places if self.settings.line_of_sight or not place.is_aside]
        user_agent = http_client.identify(self.settings.contact)
        route = watched_sockets.Route(self.settings.proxy)
        with http_client.PoliteClient(user_agent, route, guards=self.guards) as client:
            return gather(wanted, hours, feeds, AskRound(client, self.cache, deadline))


def without_store(settings: Settings) -> FeedAccess:
    """Nothing is remembered beyond this process."""
    return FeedAccess(settings, MemoryCache(), NoGuards())


def ask_now(
    asking: FeedAccess, places: Sequence[Place], hours: Span, deadline: Deadline, *, ensembles: bool = False
) -> Gathered:
    """Ask all feeds for one person who waits, and be back by the deadline."""
    return asking.ask(feeds_from(asking.settings, ensembles=ensembles), places, hours, deadline)
