"""An outlook in lines for the terminal, the same wherever one is shown."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo

from alerts.briefing.collect import say_agreement
from alerts.localtime import say_span, say_time
from alerts.weather.outlook import HazardLevel, Outlook


def chance_lines(outlook: Outlook, zone: tzinfo) -> Iterator[str]:
    """The chance with its spread, its best stretch, how it moved, and what the line of sight changes."""
    if outlook.chance_pct is None:
        yield "cloud unknown"
        return
    yield f"clear {outlook.chance_pct} %{_spread(outlook)}. {say_agreement(outlook)}".rstrip()
    if outlook.best is not None:
        yield f"clearest {say_span(outlook.best, zone)}"
    if outlook.change_pct is not None:
        yield f"since the last runs {outlook.change_pct:+d} points".replace("-", "−")
    if outlook.overhead_pct is not None:
        differs = f": {outlook.sight_text}" if outlook.sight_text else ""
        yield f"overhead alone {outlook.overhead_pct} %{differs}"


def _spread(outlook: Outlook) -> str:
    if outlook.spread_pct is None or outlook.spread_pct[0] == outlook.spread_pct[1]:
        return ""
    return f", sources from {outlook.spread_pct[0]} to {outlook.spread_pct[1]} %"


def hazard_lines(outlook: Outlook, zone: tzinfo) -> Iterator[str]:
    """Each hazard; where it isn't fine since when, how bad, and where its authority says more."""
    for hazard in outlook.hazards:
        mark = "" if hazard.level is HazardLevel.FINE else f"   ({hazard.level.value})"
        at = f", {say_time(hazard.at, zone)}" if hazard.at and mark else ""
        link = f"  {hazard.url}" if hazard.url else ""
        yield f"{hazard.text}{at}{mark}{link}"
