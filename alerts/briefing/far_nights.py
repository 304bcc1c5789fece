"""A night without weather, or without a window: when there is one, and what other targets would give."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta

from alerts.briefing.facts.alert import Ahead, Instead
from alerts.common.phrases import phrase
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night, SkyWishes
from alerts.sky.nights.night_builder import nights
from alerts.sky.target_text import parse_target
from alerts.weather.models import first_look
from alerts.wishes.model import Wishes

OTHERS = (
    ("band", phrase("briefing.instead-band")),
    ("winter", phrase("briefing.instead-winter")),
    ("none", phrase("briefing.instead-none")),
)
"""Targets that stand where the core doesn't, as one types them and as words in a sentence."""
FIRST_NIGHTS, ALL_NIGHTS = 60, 400
"""Most seasons come back within the first; a year and a month hold every one that comes back at all."""


def look_ahead(
    site: Site, night: Night, wishes: Wishes, ephemeris: Ephemeris, *, now: datetime, reach: timedelta
) -> Ahead:
    """What lies ahead of that night. reach: how far the feeds look, see `alerts.weather.models`."""
    if night.windows:
        return Ahead(first_look(night, site, now, reach))
    return Ahead(
        next_window=next_window(site, night.name, wishes.sky, ephemeris),
        instead=tuple(_others(site, night.name, wishes, ephemeris)),
    )


def next_window(site: Site, after: date, wishes: SkyWishes, ephemeris: Ephemeris) -> date | None:
    """The next night with a window, within a year and a month; None where none comes back."""
    first = after + timedelta(days=1)
    for ahead, count in ((0, FIRST_NIGHTS), (FIRST_NIGHTS, ALL_NIGHTS - FIRST_NIGHTS)):
        found = nights(site, first + timedelta(days=ahead), count, wishes, ephemeris)
        if name := next((night.name for night in found if night.windows), None):
            return name
    return None


def _others(site: Site, night_name: date, wishes: Wishes, ephemeris: Ephemeris) -> Iterator[Instead]:
    """Those targets that weren't asked for and have a window then that is long enough."""
    asked = {sky.target for sky in wishes.skies}
    for typed, words in OTHERS:
        target = parse_target(typed)
        if target in asked:
            continue
        sky = replace(wishes.sky, target=target, lowest_altitude_deg=None)
        night = nights(site, night_name, 1, sky, ephemeris)[0]
        if night.windows:
            longest = max((window.span for window in night.windows), key=lambda each: each.duration)
            if longest.duration >= wishes.shortest_window:
                yield Instead(typed, words, longest)
