"""An outlook in lines for the terminal, the same wherever one is shown."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta, tzinfo

from alerts.briefing.collect import say_agreement
from alerts.briefing.text.event import say_chance
from alerts.common.time_text import say_time
from alerts.sites.model import Site
from alerts.weather.outlook import HazardLevel, Outlook


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
