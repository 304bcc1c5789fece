"""How far ahead forecasts look, and when a night first comes within their reach."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta

from alerts.sites.model import Site
from alerts.sky.night import Night
from alerts.weather.model_families import ModelRow

PUBLISHED_AFTER = timedelta(hours=8)
"""From a global run's nominal time, which its horizon counts from, to its last hours' being published: 6 to
8 h at ECMWF and NCEP (from memory)."""


def reach_of_models(rows: Iterable[ModelRow]) -> timedelta:
    """How far ahead the farthest of these models that tell of cloud is sure to look; 0 for none."""
    farthest = max((row.horizon_h for row in rows if not row.is_air), default=0)
    return max(timedelta(hours=farthest) - PUBLISHED_AFTER, timedelta(0))


def first_look(night: Night, site: Site, now: datetime, reach: timedelta) -> date | None:
    """The site's date on which a forecast first reaches the night's first window; None where one does, where
    the night has no window, and where nobody forecasts anything."""
    if not night.windows or not reach:
        return None
    at = night.windows[0].span.start - reach
    return at.astimezone(site.tz).date() if at > now else None
