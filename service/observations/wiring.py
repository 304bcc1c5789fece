"""The sources as the settings describe them, asked one after the other; one that fails is left alone."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

from alerts.track.stations import distance_between_km
from alerts.weather.record import Place
from service.feeds.deadline import Deadline
from service.feeds.errors import FeedError
from service.feeds.http import PoliteClient, identify
from service.feeds.nws import covers
from service.observations.awc import AviationWeather
from service.observations.base import REACH_KM, Ask, Heard, Observed, areas_of
from service.observations.nws import NwsStations
from service.observations.ogimet import Ogimet, read_stations
from service.settings import Settings

log = logging.getLogger(__name__)

BUDGET_S = 300.0
"""All sources together in one cycle; what isn't heard by then is asked for at the next look."""
T = TypeVar("T")


def ask_stations(settings: Settings, asks: Sequence[Ask], *, client: PoliteClient | None = None) -> Heard:
    """What the stations near those places reported. Nothing where no contact is set: sources want one."""
    if not asks or (client is None and not settings.contact):
        return Heard()
    client = client or PoliteClient(identify(settings.contact))
    deadline = client.deadline(BUDGET_S)
    heard = Heard()
    if settings.metar:
        heard += _ask_metar(settings, client, asks, deadline)
    if settings.nws_observations:
        heard += _ask_nws(settings, client, _unheard(asks, heard.observed), deadline)
    if settings.synop_ogimet:
        heard += _ask_synop(settings, client, asks, deadline)
    return heard


def _ask_metar(settings: Settings, client: PoliteClient, asks: Sequence[Ask], deadline: Deadline) -> Heard:
    source = AviationWeather(client, base_url=settings.metar_url)
    return _each(source.name, areas_of(asks), lambda area: source.fetch(area, deadline))


def _ask_nws(settings: Settings, client: PoliteClient, asks: Sequence[Ask], deadline: Deadline) -> Heard:
    source = NwsStations(client, base_url=settings.nws_url)
    served = [ask for ask in asks if covers(Place(ask.lat_deg, ask.lon_deg))]
    return _each(source.name, served, lambda ask: source.fetch(ask, deadline))


def _unheard(asks: Sequence[Ask], observed: Sequence[Observed]) -> list[Ask]:
    """The places within whose reach nobody spoke yet."""
    stations = {seen.station for seen in observed}
    return [ask for ask in asks if not any(_is_near(ask, each.lat_deg, each.lon_deg) for each in stations)]


def _ask_synop(settings: Settings, client: PoliteClient, asks: Sequence[Ask], deadline: Deadline) -> Heard:
    source = Ogimet(client, base_url=settings.synop_url)
    wanted = [
        (station, ask.hours)
        for station in read_stations(settings.synop_stations)
        for ask in asks
        if _is_near(ask, station.lat_deg, station.lon_deg)
    ]
    return _each(source.name, dict.fromkeys(wanted), lambda one: source.fetch(*one, deadline))


def _is_near(ask: Ask, lat_deg: float, lon_deg: float) -> bool:
    return distance_between_km(ask.lat_deg, ask.lon_deg, lat_deg, lon_deg) <= REACH_KM


def _each(name: str, wanted: Iterable[T], fetch: Callable[[T], list[Observed]]) -> Heard:
    """Ask for one after the other until the first failure: it would only be repeated."""
    heard = Heard()
    for one in wanted:
        try:
            heard += Heard(tuple(fetch(one)))
        except FeedError as error:
            log.warning("stations are not heard: %s", error)
            return heard + Heard(failures=(str(error),))
    return heard
