"""Where overhead and the line of sight differ, in a few words."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean

from alerts.weather.forecast import Sight
from alerts.weather.skill import CLEAR_LIMIT_PCT
from alerts.weather.source_chance import Reading

DIFFERS_FROM_POINTS = 15
"""A difference between the two chances that is worth a word."""

_WORDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def say_sight(sights: Sequence[Sight], counted: Sequence[Reading], overhead_pct: int | None) -> str:
    """`overhead clears, the south-east doesn't`; "" where both say the same or nobody looked."""
    if overhead_pct is None or not sights:
        return ""
    frame_pct = round(100 * fmean(each.chance or 0.0 for each in counted))
    beside_pct = round(100 * fmean(each.chance_beside or 0.0 for each in counted))
    if abs(frame_pct - beside_pct) < DIFFERS_FROM_POINTS:
        return ""
    directions = _mean_by_direction(sights)
    if not directions:
        return ""
    if frame_pct < beside_pct:
        worst = max(directions, key=lambda azimuth_deg: directions[azimuth_deg])
        return f"overhead clears, the {eighth(worst)} doesn't"
    clear = min(directions, key=lambda azimuth_deg: directions[azimuth_deg])
    verb = "clears" if directions[clear] <= CLEAR_LIMIT_PCT else "is clearer"
    return f"cloud overhead, but the {eighth(clear)} {verb}"


def _mean_by_direction(sights: Sequence[Sight]) -> dict[float, float]:
    covers: dict[float, list[float]] = {}
    for sight in sights:
        for azimuth_deg, cover_pct in sight.directions:
            covers.setdefault(azimuth_deg, []).append(cover_pct)
    return {azimuth_deg: fmean(values) for azimuth_deg, values in covers.items()}


def eighth(azimuth_deg: float) -> str:
    """The nearest of the eight points of the compass, as a word."""
    return _WORDS[round(azimuth_deg / 45) % 8]
