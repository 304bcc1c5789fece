"""Which stations are no witnesses of their own: they share a place, repeat another, or never see cloud."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import combinations

from alerts.sites.great_circle import distance_km
from alerts.track.observations.evidence import OutcomeState, SkyReport, Station
from alerts.track.observations.sky_report import SkyReading, SkyState

ONE_PLACE_KM = 3.0
"""Stations nearer to each other than this look at the same sky, often through the same instrument."""
COPY_REPORTS, COPY_READINGS = 48, 4
"""Two stations are one when this many reports for the same minute all agree, with so many different
readings among them that it can't be the weather."""
DULL_NIGHTS, DULL_CONTRADICTED = 30, 5
"""A station that reported on this many nights without any cloud, while other judges found cloud on so
many of them, has no instrument for it, or a broken one."""


@dataclass(frozen=True, slots=True)
class NightSeen:
    """One past night: what a station said of it, and what was settled without that station."""

    station: str
    night: date
    said: OutcomeState
    others: OutcomeState


def find_same_place(stations: Sequence[Station]) -> dict[str, str]:
    """Stations to set aside because an earlier one stands at the same place, with the reason.

    stations: the best first (nearest, or with most reports).
    """
    aside: dict[str, str] = {}
    for first, second in combinations(stations, 2):
        apart_km = distance_km(first.lat_deg, first.lon_deg, second.lat_deg, second.lon_deg)
        if apart_km < ONE_PLACE_KM and first.name not in aside:
            aside.setdefault(second.name, f"stands at the same place as {first.name}")
    return aside


def find_copies(reports: Iterable[SkyReport]) -> dict[str, str]:
    """Stations to set aside because all they report is another's, with the reason; the later name goes."""
    by_station: dict[str, dict[datetime, SkyReading]] = defaultdict(dict)
    for report in reports:
        if report.reading.state is not SkyState.UNKNOWN:
            by_station[report.station][report.at] = report.reading
    aside: dict[str, str] = {}
    for first, second in combinations(sorted(by_station), 2):
        if first not in aside and _is_copy(by_station[first], by_station[second]):
            aside.setdefault(second, f"repeats the reports of {first}")
    return aside


def _is_copy(one: Mapping[datetime, SkyReading], other: Mapping[datetime, SkyReading]) -> bool:
    shared = one.keys() & other.keys()
    if len(shared) < COPY_REPORTS or any(one[at] != other[at] for at in shared):
        return False
    return len({one[at] for at in shared}) >= COPY_READINGS


def find_never_cloudy(nights: Iterable[NightSeen]) -> dict[str, str]:
    """Stations to set aside because they say clear whatever happens, with the reason.

    nights: those on which the station said anything. A long clear season alone sets nobody aside.
    """
    by_station: dict[str, list[NightSeen]] = defaultdict(list)
    for seen in nights:
        by_station[seen.station].append(seen)
    return {
        station: f"has said clear on all of {len(seen)} nights, cloudy ones too"
        for station, seen in by_station.items()
        if _is_dull(seen)
    }


def _is_dull(nights: Sequence[NightSeen]) -> bool:
    contradicted = sum(seen.others is OutcomeState.NOT_CLEAR for seen in nights)
    always_clear = all(seen.said is OutcomeState.CLEAR for seen in nights)
    return always_clear and len(nights) >= DULL_NIGHTS and contradicted >= DULL_CONTRADICTED
