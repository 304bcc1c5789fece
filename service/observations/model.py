"""What is asked of the sources of station reports, and what they give."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import cos, radians

from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.track.observations.evidence import SkyReport
from alerts.track.observations.metar import read_metar
from alerts.track.observations.stations import KM_A_DEGREE, REACH_KM, Observed

BEFORE_AND_AFTER = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Ask:
    """Reports over a span of time near a place are wanted."""

    lat_deg: float
    lon_deg: float
    hours: Span


@dataclass(frozen=True, slots=True)
class Area:
    """A box in degrees and a span of time, for one request."""

    south_deg: float
    west_deg: float
    north_deg: float
    east_deg: float
    hours: Span


@dataclass(frozen=True, slots=True)
class Heard:
    """What the sources gave, and in a sentence each what they couldn't. later: what wasn't asked yet, as a
    source allows no more for now."""

    observed: tuple[Observed, ...] = ()
    failures: tuple[str, ...] = ()
    later: tuple[Ask, ...] = ()

    def __add__(self, other: Heard) -> Heard:
        return Heard(self.observed + other.observed, self.failures + other.failures, self.later + other.later)


def areas_of(asks: Iterable[Ask]) -> list[tuple[Area, list[Ask]]]:
    """Boxes that hold every place with 60 km round it, each with what is asked in it, the oldest first,
    those of the same hours in their order;
    places in one square degree, whose nights overlap, share one. An hour is added before and after."""
    areas: dict[tuple[int, int, int], tuple[Area, list[Ask]]] = {}
    for ask in sorted(asks, key=lambda each: each.hours):
        key = (int(ask.lat_deg // 1), int(ask.lon_deg // 1), ask.hours.middle.toordinal())
        own = _area_round(ask)
        area, shared = areas.get(key, (own, []))
        areas[key] = (_both(area, own), [*shared, ask])
    return list(areas.values())


def _area_round(ask: Ask) -> Area:
    half_lat = REACH_KM / KM_A_DEGREE
    half_lon = min(180.0, half_lat / max(0.01, cos(radians(ask.lat_deg))))
    hours = Span(ask.hours.start - BEFORE_AND_AFTER, ask.hours.end + BEFORE_AND_AFTER)
    return Area(
        max(-90.0, ask.lat_deg - half_lat),
        max(-180.0, ask.lon_deg - half_lon),
        min(90.0, ask.lat_deg + half_lat),
        min(180.0, ask.lon_deg + half_lon),
        hours,
    )


def _both(one: Area, other: Area) -> Area:
    hours = Span(min(one.hours.start, other.hours.start), max(one.hours.end, other.hours.end))
    return Area(
        min(one.south_deg, other.south_deg),
        min(one.west_deg, other.west_deg),
        max(one.north_deg, other.north_deg),
        max(one.east_deg, other.east_deg),
        hours,
    )


def metar_report(name: str, raw: str, at: datetime, received_at: datetime | None) -> SkyReport | None:
    """The report, or None where the text is no METAR or empty: that is silence, not a clear sky."""
    if not raw.strip():
        return None
    try:
        return SkyReport(name, at, read_metar(raw), raw.strip(), received_at)
    except BadInput:
        return None


def number(value: object) -> float | None:
    """A finite number as JSON gives it; None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if abs(value) < 1e12 else None


Observe = Callable[[Sequence[Ask]], Heard]
