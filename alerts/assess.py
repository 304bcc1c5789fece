"""One night at one place, judged on forecasts at hand."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from alerts.night import Night
from alerts.site import Site
from alerts.verdict import Verdict, judge
from alerts.weather.clearness import build_outlook
from alerts.weather.record import Forecast
from alerts.wishes import Wishes


def is_night_of(site: Site, night_name: date, now: datetime) -> bool:
    """Whether it is the day of that night, or later, by the site's own clock."""
    return now.astimezone(site.tz).date() >= night_name


def assess(
    site: Site, night: Night, forecasts: Sequence[Forecast], wishes: Wishes, *, now: datetime
) -> Verdict:
    """The verdict for a night whose windows are judged on these forecasts; none at all is unknown."""
    outlooks = [
        build_outlook(
            window.span,
            forecasts,
            shortest=wishes.shortest_window,
            now=now,
            is_night_of=is_night_of(site, night.name, now),
        )
        if forecasts
        else None
        for window in night.windows
    ]
    return judge(night, outlooks, wishes, now=now, site=site)
