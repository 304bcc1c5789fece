"""An outlook in lines for the terminal, the same wherever one is shown."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta, tzinfo

from alerts.briefing.collect import say_agreement
from alerts.briefing.text.event import event_of, say_event
from alerts.common.text import clock_in
from alerts.common.time_text import say_time
from alerts.sites.model import Site
from alerts.weather.outlook import HazardLevel, Outlook


def say_chance(outlook: Outlook, site: Site, *, shortest: timedelta, now: datetime, night_name: date) -> str:
    """`73 %: at least one clear hour between 23:22 and 04:23, most likely 02:30 to 03:30`; "" while nobody
    knows a chance."""
    event = event_of(outlook, shortest, now)
    if event is None:
        return ""
    clock = clock_in(site.zone, (event.span.start, event.span.end))
    return f"{outlook.chance_pct} %: {say_event(event, clock, night_name)}"


def chance_lines(
    outlook: Outlook, site: Site, *, shortest: timedelta, now: datetime, night_name: date
) -> Iterator[str]:
    """The chance and what it is of, what each source says alone, how it moved, and what the line of sight
    changes: each figure with what it counts."""
    said = say_chance(outlook, site, shortest=shortest, now=now, night_name=night_name)
    if not said:
        yield "cloud unknown"
        return
    yield f"{said}. {say_agreement(outlook)}".rstrip()
    if outlook.spread_pct is not None and outlook.spread_pct[0] != outlook.spread_pct[1]:
        yield f"each source alone {outlook.spread_pct[0]} to {outlook.spread_pct[1]} % for the same"
    if outlook.change_pct is not None:
        yield f"since the last runs {outlook.change_pct:+d} points of chance".replace("-", "−")
    if outlook.overhead_pct is not None:
        differs = f": {outlook.sight_text}" if outlook.sight_text else ""
        yield f"{outlook.overhead_pct} % if the sky all round were as it is overhead{differs}"


def hazard_lines(outlook: Outlook, zone: tzinfo) -> Iterator[str]:
    """Each hazard; where it isn't fine since when, how bad, and where its authority says more."""
    for hazard in outlook.hazards:
        mark = "" if hazard.level is HazardLevel.FINE else f"   ({hazard.level.value})"
        at = f", {say_time(hazard.at, zone)}" if hazard.at and mark else ""
        link = f"  {hazard.url}" if hazard.url else ""
        yield f"{hazard.text}{at}{mark}{link}"
