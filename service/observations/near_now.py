"""What weather stations near a place say now, for one person who waits."""

from __future__ import annotations

from datetime import datetime, timedelta

from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.night import Night
from alerts.track.observations.nearby_sky import station_skies
from alerts.weather.sky_now import StationSky
from service.observations.model import BEFORE_AND_AFTER, Ask, Heard

STATIONS_BUDGET_S = 2.0
"""The sources of station reports together, after the feeds."""


def stations_wanted(site: Site, night: Night, now: datetime) -> Ask | None:
    """What to ask the stations near a place; None where its night doesn't begin soon, or is over."""
    ahead = [window.span for window in night.windows if window.span.end > now]
    if not ahead or ahead[0].start > now + HEARD_BEFORE:
        return None
    end = now - BEFORE_AND_AFTER
    return Ask(site.lat_deg, site.lon_deg, Span(end - ASKED_BACK, end))


def heard_skies(site: Site, heard: Heard, now: datetime) -> tuple[StationSky, ...]:
    """What those reports say of the sky above a place."""
    stations = {each.station.name: each.station for each in heard.observed}
    return station_skies(site, list(stations.values()), [each.report for each in heard.observed], now)


HEARD_BEFORE = timedelta(hours=9)
"""From so long before a night's first window to the end of its last: who drives three hours leaves some five
before it, and a report nine hours old adds a quarter of what a fresh one does."""


ASKED_BACK = timedelta(hours=1)
