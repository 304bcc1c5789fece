"""The sources as the settings describe them, asked one after the other; one that fails is left alone.

Each is asked no more often than it allows, over all processes. What it doesn't allow now isn't waited for
but left due for the next cycle, not slept on: reports are kept for days, a cycle isn't.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import TypeVar

from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import say
from alerts.sites.great_circle import distance_km
from alerts.track.observations.stations import Observed
from alerts.weather.forecast import Place
from alerts.weather.sky_now import REACH_KM
from service.feeds.feed_state import DatabaseGuards
from service.feeds.nws.client import covers
from service.feeds.shared.checked_answers import AllowanceSpent, FeedError, NotAsked
from service.feeds.shared.http_client import PoliteClient, identify
from service.feeds.shared.watched_sockets import Route
from service.observations import awc, nws, ogimet
from service.observations.model import Ask, Heard, areas_of
from service.settings import Settings
from service.store.repositories.judged_events import report_sources

log = logging.getLogger(__name__)

BUDGET_S = 120.0
"""All sources together in one cycle; what isn't heard by then is asked for in the next."""
ALLOWANCES = {awc.NAME: awc.ALLOWANCE, nws.NAME: nws.ALLOWANCE, ogimet.NAME: ogimet.ALLOWANCE}
Sessions = sessionmaker[Session]
T = TypeVar("T")


class AllowancesAlone(DatabaseGuards):
    """Guards that only count: a source that fails is asked again at the next look, hours later."""

    def refusal(self, feed: str) -> FeedError | None:
        return None

    def note(self, feed: str, error: FeedError | None) -> None:
        return None


def client_of(
    settings: Settings, sessions: Sessions, clock: Callable[[], datetime] = lambda: datetime.now(UTC)
) -> PoliteClient:
    """A client that keeps to what the sources allow. clock: the wall's."""
    guards = AllowancesAlone(sessions, clock, allowances=ALLOWANCES)
    return PoliteClient(identify(settings.contact), Route(settings.proxy), guards=guards)


def ask_stations(
    settings: Settings, asks: Sequence[Ask], client: PoliteClient, budget_s: float = BUDGET_S
) -> Heard:
    """What the stations near those places reported, asked for in their order where they share their hours."""
    heard, deadline = Heard(), client.deadline(budget_s)
    if not asks:
        return heard
    if settings.metar:
        metars = awc.AviationWeather(client, base_url=settings.metar_url)
        heard += _each(areas_of(asks), lambda area: metars.fetch(area, deadline))
    if settings.nws_observations:  # of the places within whose reach nobody spoke yet
        near = nws.NwsStations(client, base_url=settings.nws_url)
        stations = {seen.station for seen in heard.observed}
        unheard = [
            (ask, [ask])
            for ask in asks
            if ask not in heard.later
            and not any(_is_near(ask, each.lat_deg, each.lon_deg) for each in stations)
            and covers(Place(ask.lat_deg, ask.lon_deg))
        ]
        heard += _each(unheard, lambda ask: near.fetch(ask, deadline))
    if settings.synop_ogimet:
        synops = ogimet.Ogimet(client, base_url=settings.synop_url)
        named = [
            ((station, ask.hours), [ask])
            for station in ogimet.read_stations(settings.synop_stations)
            for ask in asks
            if _is_near(ask, station.lat_deg, station.lon_deg)
        ]
        heard += _each(named, lambda one: synops.fetch(*one, deadline))
    return heard


def station_credits(session: Session) -> tuple[str, ...]:
    """A line for each source that the reports kept came from, as its terms or courtesy ask to be named."""
    return tuple(
        say("observations.credit", source=name) for name in report_sources(session) if name in ALLOWANCES
    )


def _is_near(ask: Ask, lat_deg: float, lon_deg: float) -> bool:
    return distance_km(ask.lat_deg, ask.lon_deg, lat_deg, lon_deg) <= REACH_KM


def _each(wanted: Iterable[tuple[T, list[Ask]]], fetch: Callable[[T], list[Observed]]) -> Heard:
    """Ask for one after the other until the first failure, which would only be repeated, or until the
    source allows no more."""
    heard, rest = Heard(), list(wanted)
    while rest:
        (one, _), *after = rest
        try:
            heard += Heard(tuple(fetch(one)))
        except (AllowanceSpent, NotAsked):
            return heard + Heard(later=tuple(ask for _, asks in rest for ask in asks))
        except FeedError as error:
            log.warning("stations are not heard: %s", error)
            return heard + Heard(failures=(str(error),))
        rest = after
    return heard
