"""How far ahead the feeds look at a place, by the settings."""

from __future__ import annotations

from datetime import timedelta

from alerts.common.errors import BadInput
from alerts.sites.model import Site
from alerts.weather.forecast import Place
from alerts.weather.forecast_reach import reach_of_models
from service.feeds.feed_wiring import feeds_from
from service.settings import Settings


def feeds_reach(settings: Settings, site: Site) -> timedelta:
    """How far ahead the feeds that are on look there, ensembles aside, which are asked for near nights alone;
    0 where none is, or the settings can't be read."""
    try:
        feeds = feeds_from(settings, ensembles=False)
    except BadInput:
        return timedelta(0)
    place = Place(site.lat_deg, site.lon_deg)
    return reach_of_models(row for feed in feeds if feed.off_because is None for row in feed.models_at(place))
