"""What a command judges on: recorded answers, what the feeds say now, what the stations do."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.night import Night
from alerts.weather.forecast import Forecast, Place
from alerts.weather.sky_now import StationSky
from service.common.clock import real_clock
from service.feeds import sight_requests
from service.feeds.command_state import sessions_at_hand
from service.feeds.feed_wiring import at_hand
from service.feeds.replay import as_of_default, read_recorded
from service.feeds.shared.http_client import PoliteClient, identify
from service.feeds.shared.model import Gathered
from service.observations import near_now
from service.observations.station_wiring import ask_stations, client_of
from service.settings import Settings, load_settings


def read_weather(entries: tuple[str, ...], site: Site, *, offline: bool) -> list[Forecast]:
    """The forecasts in recorded answers, `FILE` or `FEED/MODEL=FILE`, for that site; BadInput otherwise."""
    if entries and offline:
        raise BadInput("--weather plays recorded answers and --offline asks for none; use one of them.")
    place = Place(site.lat_deg, site.lon_deg)
    forecasts: list[Forecast] = []
    for entry in entries:
        named, _, file = entry.rpartition("=") if _is_named(entry) else ("", "", entry)
        forecasts += read_recorded(Path(file), named=named or None, place=place)
    return forecasts


def _is_named(entry: str) -> bool:
    """Whether `entry` is FEED/MODEL=FILE and not a file whose name holds a `=`."""
    return "=" in entry and not Path(entry).exists()


def moment_to_judge(as_of: datetime | None, recorded: list[Forecast]) -> datetime:
    """What was asked for; else the newest issue time of recorded answers; else now."""
    return as_of or (as_of_default(recorded) if recorded else None) or real_clock()


def ask_both(
    site: Site,
    night: Night,
    hours: Span,
    now: datetime,
    elevation_m: float | None,
) -> tuple[Gathered, list[Forecast]]:
    """As `service.feeds.sight_requests.ask_both`, by this machine's settings and with its store behind it."""
    settings = load_settings()
    behind = at_hand(settings)
    return sight_requests.ask_both(settings, behind, site, night, hours, now, elevation_m)


def hear_now(settings: Settings, site: Site, night: Night, now: datetime) -> tuple[StationSky, ...]:
    """What the stations near a place that isn't kept report now, where the night begins soon; nothing where
    nobody says who asks."""
    ask = near_now.stations_wanted(site, night, now)
    if ask is None or not settings.contact:
        return ()
    sessions = sessions_at_hand(settings)
    client = (
        PoliteClient(identify(settings.contact), proxy=settings.proxy)
        if sessions is None
        else client_of(settings, sessions)
    )
    with client:
        heard = ask_stations(settings, [ask], client, near_now.STATIONS_BUDGET_S)
    return near_now.heard_skies(site, heard, now)
