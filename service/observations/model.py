"""What is asked of the sources of station reports, and what they give: for a night that is over, and for one
person who waits."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import cos, radians

from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.night import Night
from alerts.track.observations.coded_reports import read_metar
from alerts.track.observations.evidence import SkyReport
from alerts.track.observations.stations import KM_A_DEGREE, Observed, station_skies
from alerts.weather.sky_now import REACH_KM, StationSky

BEFORE_AND_AFTER = timedelta(hours=1)
STATIONS_BUDGET_S = 2.0
"""The sources of station reports together, after the feeds."""
HEARD_BEFORE = timedelta(hours=9)
"""From so long before a night's first window to the end of its last: who drives three hours leaves some five
before it, and a report nine hours old adds a quarter of what a fresh one does."""
ASKED_BACK = timedelta(hours=1)


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


Observe = Callable[[Sequence[Ask]], Heard]


def areas_of(asks: Iterable[Ask]) -> list[tuple[Area, list[Ask]]]:
    """Boxes that hold every place with 60 km round it, each with what is asked in it, the oldest first, those
    of the same hours in their order; places in one square degree, whose nights overlap, share one. An hour is
    added before and after."""
    areas: dict[tuple[int, int, int], tuple[Area, list[Ask]]] = {}
    half_lat = REACH_KM / KM_A_DEGREE
    for ask in sorted(asks, key=lambda each: each.hours):
        half_lon = min(180.0, half_lat / max(0.01, cos(radians(ask.lat_deg))))
        own = Area(
            max(-90.0, ask.lat_deg - half_lat),
            max(-180.0, ask.lon_deg - half_lon),
            min(90.0, ask.lat_deg + half_lat),
            min(180.0, ask.lon_deg + half_lon),
            Span(ask.hours.start - BEFORE_AND_AFTER, ask.hours.end + BEFORE_AND_AFTER),
        )
        key = (int(ask.lat_deg // 1), int(ask.lon_deg // 1), ask.hours.middle.toordinal())
        area, shared = areas.get(key, (own, []))
        both = Area(
            min(area.south_deg, own.south_deg),
            min(area.west_deg, own.west_deg),
            max(area.north_deg, own.north_deg),
            max(area.east_deg, own.east_deg),
            Span(min(area.hours.start, own.hours.start), max(area.hours.end, own.hours.end)),
        )
        areas[key] = (both, [*shared, ask])
    return list(areas.values())


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


def stamp(text: object) -> datetime | None:
    """The time in ISO 8601, with or without a zone; None for anything else."""
    try:
        return datetime.fromisoformat(str(text).replace("Z", "+00:00"))
    except ValueError:
        return None


def stations_wanted(site: Site, night: Night, now: datetime) -> Ask | None:
    """What to ask the stations near a place; None where its night doesn't begin soon, or is over."""
    ahead = [window.span for window in night.windows if window.span.end > now]
    if not ahead or ahead[0].start > now + HEARD_BEFORE:
        return None
    end = now - BEFORE_AND_AFTER
    return Ask(site.lat_deg, site.lon_deg, Span(end - ASKED_BACK, end))


def heard_skies(site: Site, heard: Heard, now: datetime) -> tuple[StationSky, ...]:
    """What those reports say of the sky above a place."""
    stations = {each.station.name: each.station for each in heard.observed}
    return station_skies(site, list(stations.values()), [each.report for each in heard.observed], now)
