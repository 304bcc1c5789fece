"""Asking the feeds for one person who waits: overhead and along the line of sight, within ten seconds."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.night import Night
from alerts.weather.forecast import Forecast, Place
from service.common.deadline import Deadline
from service.feeds.feed_wiring import AtHand, ask_now
from service.feeds.shared.model import Gathered
from service.feeds.sight_requests import NEAR, Look, ask_along, with_sights
from service.settings import Settings

NETWORK_BUDGET_S = 7.0
"""All feeds together; a command then still ends within ten seconds."""
OVERHEAD_BUDGET_S = 5.0
"""Of that, for the site itself; the line of sight gets what is left."""


def ask_both(
    settings: Settings,
    behind: AtHand,
    site: Site,
    night: Night,
    hours: Span,
    now: datetime,
    elevation_m: float | None,
) -> tuple[Gathered, list[Forecast]]:
    """What came of asking overhead, ensembles too; and its forecasts, with the line of sight of the windows
    that are near.

    elevation_m: of the site, None when nobody knows it. Where the feeds take all the time overhead, nobody
    looks aside.
    """
    whole = Deadline(NETWORK_BUDGET_S)

    def aside(places: Sequence[Place], span: Span) -> Gathered:
        return ask_now(settings, behind, places, span, whole)

    place = Place(site.lat_deg, site.lon_deg, elevation_m)
    first = whole.at_most(OVERHEAD_BUDGET_S)
    gathered = ask_now(settings, behind, [place], hours, first, ensembles=True)
    near = [each for each in night.windows if now < each.span.end and each.span.start - now <= NEAR]
    looks = [Look.of(window, site, place) for window in near] if settings.line_of_sight else []
    along = ask_along(aside, gathered.forecasts, looks, now)
    return gathered, [with_sights(forecast, along, looks) for forecast in gathered.forecasts]
