"""Which stations are no witnesses of their own: they share a place, repeat another, or never see cloud."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import combinations

from alerts.common.phrases import Phrase, phrase
from alerts.sites.great_circle import distance_km
from alerts.track.observations.evidence import OutcomeState, SkyReading, SkyReport, SkyState, Station

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


def find_same_place(stations: Sequence[Station]) -> dict[str, Phrase]:
    """Stations to set aside because an earlier one stands at the same place, with the reason.

    stations: the best first (nearest, or with most reports).
    """
    aside: dict[str, Phrase] = {}
    for first, second in combinations(stations, 2):
        apart_km = distance_km(first.lat_deg, first.lon_deg, second.lat_deg, second.lon_deg)
        if apart_km < ONE_PLACE_KM and first.name not in aside:
            aside.setdefault(second.name, phrase("observations.same-place", station=first.name))
    return aside


def find_copies(reports: Iterable[SkyReport]) -> dict[str, Phrase]:
    """Stations to set aside because all they report is another's, with the reason; the later name goes."""
    by_station: dict[str, dict[datetime, SkyReading]] = defaultdict(dict)
    for report in reports:
        if report.reading.state is not SkyState.UNKNOWN:
            by_station[report.station][report.at] = report.reading
    aside: dict[str, Phrase] = {}
    for first, second in combinations(sorted(by_station), 2):
        one, other = by_station[first], by_station[second]
        shared = one.keys() & other.keys()
        if len(shared) < COPY_REPORTS or any(one[at] != other[at] for at in shared):
            continue
        if first not in aside and len({one[at] for at in shared}) >= COPY_READINGS:
            aside.setdefault(second, phrase("observations.repeats", station=first))
    return aside


def find_never_cloudy(nights: Iterable[NightSeen]) -> dict[str, Phrase]:
    """Stations to set aside because they say clear whatever happens, with the reason.

    nights: those on which the station said anything. A long clear season alone sets nobody aside.
    """
    by_station: dict[str, list[NightSeen]] = defaultdict(list)
    for seen in nights:
        by_station[seen.station].append(seen)
    aside = {}
    for station, own in by_station.items():
        contradicted = sum(seen.others is OutcomeState.NOT_CLEAR for seen in own)
        is_always_clear = all(seen.said is OutcomeState.CLEAR for seen in own)
        if is_always_clear and len(own) >= DULL_NIGHTS and contradicted >= DULL_CONTRADICTED:
            aside[station] = phrase("observations.never-cloudy", nights=len(own))
    return aside
