"""What weather stations prove of an event, and what they don't; and what they say of the sky now.

A station is an uneven witness. BKN, OVC and an obscured sky above the site's height prove a bad sky;
CLR, NCD, NSC and CAVOK prove nothing of what is higher than the instrument sees, and an observer's word
in the dark is little better. So a station's "clear" is only half of a proof (see `outcome`).
Cloud whose base may lie below the site proves nothing either: the photographer may stand above it.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import combinations, pairwise
from math import atan2, cos, degrees, radians, sin

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.common.units import FEET_PER_M
from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site
from alerts.track.observations.evidence import (
    MOST_UNKNOWN_SHARE,
    Account,
    Event,
    Judge,
    OutcomeState,
    SkyReading,
    SkyReport,
    SkyState,
    Station,
    free_of,
    joined,
    long_enough,
    longest,
    total,
)
from alerts.weather.sky_now import OLDEST, REACH_KM, Says, StationSky

FULL_WEIGHT_KM, HALF_WEIGHT_KM = 30.0, 60.0
FULL_WEIGHT_M, HALF_WEIGHT_M = 300.0, 1000.0
"""Within the first of each a station counts fully, within the second half, beyond it not at all. At
30 km two Australian stations were on the same side of "clear" on 87 % of days, at 90 km on 71-85 %
(Bureau of Meteorology, 2007-2017). The second height is our own caution."""
CLEAR_OKTAS, BAD_OKTAS = 2, 5
"""FEW is clear enough (25 %), BKN is a bad sky; between the two a report decides nothing."""
STANDS_FOR = timedelta(minutes=35)
"""How far to either side one report may be held to speak, where no other is nearer."""
LAG = timedelta(minutes=15)
"""An automatic sky group is made of the last 30 minutes, the last ten counting twice (NWS, ASOS guide)."""
LAST_REWRITE = timedelta(hours=48)
"""A text for the same minute that comes later than this after it is kept apart: no feed rewrites its past."""
BASE_STEP_FT = 100.0
"""Bases are given in hundreds of feet, rounded down (FMH-1): the cloud may hang this much higher."""
KM_A_DEGREE = 111.2
METAR, SYNOP = "METAR", "SYNOP"

_WIND = re.compile(r"\b(\d{3})(\d{2,3})(?:G\d{2,3})?(?:KT|MPS|KMH)\b")
"""Direction and speed in a METAR; VRB has no direction (WMO-No. 306, FM 15, 15.5)."""


@dataclass(frozen=True, slots=True)
class Observed:
    """One report with the station that made it. source: who delivered it."""

    station: Station
    report: SkyReport
    source: str


@dataclass(frozen=True, slots=True)
class _Slot:
    """The part of the window that one report speaks for. says: None where it tells nothing."""

    span: Span
    says: Says | None


def account_of_station(event: Event, site: Site, station: Station, reports: Iterable[SkyReport]) -> Account:
    """What one station says of the event.

    Not clear: no time is left that could hold the event. Clear: a stretch that does hold it, over which two
    reports in a row say so, because one alone may be a gap that drifts by, unless the whole window holds no
    more than one.
    reports: its own, from an hour before the window to an hour after it; others are ignored.
    """
    used = reports_in_time(event, [report for report in reports if report.station == station.name])
    slots = _slots(event, station, site, used)
    covered = total(slot.span for slot in slots if slot.says is not None) / event.window.duration
    bad = [slot.span for slot in slots if slot.says is Says.CLOUD]
    runs = joined(slot.span for slot in slots if slot.says is Says.CLEAR)
    needed = min(2, len(slots))
    clear = long_enough(
        event, [run for run in runs if sum(run.contains(slot.span.start) for slot in slots) >= needed]
    )
    says = OutcomeState.UNSURE
    if not slots:
        why = phrase("observations.no-report")
    elif covered < 1 - MOST_UNKNOWN_SHARE:
        why = phrase("observations.too-few-reports")
    elif longest(free_of(event.window, bad)) < event.shortest:
        says, why = OutcomeState.NOT_CLEAR, phrase("observations.cloud-throughout")
    elif not clear:
        why = phrase("observations.neither-clear-nor-cloudy")
    elif station.elevation_m is not None and station.elevation_m - site.elevation_m > FULL_WEIGHT_M:
        why = phrase("observations.clear-up-there")
    else:
        says, why = OutcomeState.CLEAR, _how_clear(used)
    away_km = distance_km(site.lat_deg, site.lon_deg, station.lat_deg, station.lon_deg)
    weight, why_less = station_weight(away_km, station, site)
    return Account(
        judge=Judge.STATIONS,
        witness=f"{station.name} {station.network}",
        says=says,
        why=phrase("observations.clauses", clauses=(why, why_less)) if why_less else why,
        weight=weight,
        clear_parts=clear if says is OutcomeState.CLEAR else (),
        covered_share=round(covered, 3),
        distance_km=round(away_km, 1),
        height_difference_m=None if station.elevation_m is None else station.elevation_m - site.elevation_m,
        raw=tuple(report.raw for report in used),
    )


def station_weight(away_km: float, station: Station, site: Site) -> tuple[float, Phrase | None]:
    """1, 0.5 or 0, and why it isn't 1. A station of unknown height can't be put above or below a cloud."""
    if station.elevation_m is None:
        return 0.0, phrase("observations.height-unknown")
    apart_m = abs(station.elevation_m - site.elevation_m)
    if away_km > HALF_WEIGHT_KM:
        return 0.0, phrase("observations.too-far", away_km=away_km)
    if apart_m > HALF_WEIGHT_M:
        return 0.0, phrase("observations.too-high", apart_m=apart_m)
    if away_km > FULL_WEIGHT_KM or apart_m > FULL_WEIGHT_M:
        return 0.5, phrase("observations.counts-half", away_km=away_km, apart_m=apart_m)
    return 1.0, None


def reports_in_time(event: Event, reports: Iterable[SkyReport]) -> list[SkyReport]:
    """One report a minute, ascending, among those that can speak for the window.

    Of several texts for one minute the last that came within 48 h counts (a correction); what was
    written later is left aside. Reports without a word on the sky neither count nor end another's time.
    """
    reach = STANDS_FOR + LAG
    first, last = event.window.start - reach, event.window.end + reach
    by_minute: dict[datetime, SkyReport] = {}
    for report in sorted(reports, key=lambda each: each.received_at or each.at):
        if report.reading.state is SkyState.UNKNOWN or not first <= report.at <= last:
            continue
        if report.at not in by_minute or (report.received_at or report.at) - report.at <= LAST_REWRITE:
            by_minute[report.at] = report
    return [by_minute[at] for at in sorted(by_minute)]


def says_of_site(reading: SkyReading, station: Station, site: Site) -> Says | None:
    """What one reading says of the sky that the site sees; None where its cloud may lie below the site."""
    if reading.okta_max <= CLEAR_OKTAS:
        return Says.CLEAR
    if reading.okta_min < BAD_OKTAS:
        return Says.PARTLY
    return Says.CLOUD if oktas_above(reading, station, site) >= BAD_OKTAS else None


def oktas_above(reading: SkyReading, station: Station, site: Site) -> int:
    """The least amount that hangs above the site for certain.

    An amount may include what lies beneath it (the U.S. sum), so lower layers below the site are taken
    off. A base that wasn't measured may be anywhere.
    """
    site_ft = (site.elevation_m - (station.elevation_m or 0.0)) * FEET_PER_M
    lowest_ft = site_ft - BASE_STEP_FT
    above = [layer for layer in reading.layers if layer.base_ft is not None and layer.base_ft >= lowest_ft]
    below = [layer for layer in reading.layers if layer not in above]
    hidden = max((layer.okta_max for layer in below), default=0)
    return max((layer.okta_min for layer in above), default=0) - hidden


def _slots(event: Event, station: Station, site: Site, used: Sequence[SkyReport]) -> list[_Slot]:
    """The window cut half-way between neighbouring reports, each piece no wider than a report can hold."""
    meant = sorted(
        ((report.at - LAG if report.reading.is_automatic else report.at, report) for report in used),
        key=lambda pair: pair[0],
    )
    cuts = [left + (right - left) / 2 for (left, _), (right, _) in pairwise(meant)]
    slots = []
    for i, (at, report) in enumerate(meant):
        start = max(at - STANDS_FOR, cuts[i - 1] if i else event.window.start, event.window.start)
        end = min(at + STANDS_FOR, cuts[i] if i < len(cuts) else event.window.end, event.window.end)
        if start < end:
            slots.append(_Slot(Span(start, end), says_of_site(report.reading, station, site)))
    return slots


def _how_clear(used: Sequence[SkyReport]) -> Phrase:
    """How far up the clear reports see, the least of them."""
    clear = [report.reading for report in used if report.reading.okta_max <= CLEAR_OKTAS]
    reaches = [reading.reach_ft for reading in clear if reading.reach_ft is not None]
    if not reaches:
        return phrase("observations.clear-to-the-eye")
    return phrase("observations.clear-up-to", reach_ft=min(reaches))


def station_skies(
    site: Site, stations: Sequence[Station], reports: Iterable[SkyReport], now: datetime
) -> tuple[StationSky, ...]:
    """The newest word of each station on the sky above the site now, in order of their names.

    Silence, reports of the future, those too old, and stations too far off or of a height that nobody knows
    or that differs too much are left out; so is cloud that may hang below the site.
    """
    by_name = {station.name: station for station in stations}
    newest: dict[str, SkyReport] = {}
    for report in sorted(reports, key=lambda each: each.at):
        is_now = now - OLDEST <= report.at <= now
        if is_now and report.station in by_name and report.reading.state is not SkyState.UNKNOWN:
            newest[report.station] = report
    found = []
    for name, report in sorted(newest.items()):
        station = by_name[name]
        if station.elevation_m is None or abs(station.elevation_m - site.elevation_m) > HALF_WEIGHT_M:
            continue
        away_km = distance_km(site.lat_deg, site.lon_deg, station.lat_deg, station.lon_deg)
        says = says_of_site(report.reading, station, site)
        if says is None or away_km > REACH_KM:
            continue
        # of the station from the site; over so few kilometres the Earth is flat
        east = radians((station.lon_deg - site.lon_deg + 180) % 360 - 180)
        north = radians(station.lat_deg - site.lat_deg)
        bearing_deg = degrees(atan2(sin(east) * cos(radians(site.lat_deg)), sin(north))) % 360
        wind = _WIND.search(report.raw)
        found.append(
            StationSky(
                station=station.name,
                says=says,
                at=report.at,
                distance_km=round(away_km, 1),
                bearing_deg=round(bearing_deg, 1),
                higher_m=round(station.elevation_m - site.elevation_m, 1),
                reach_ft=report.reading.reach_ft,
                wind_from_deg=float(wind[1]) if wind and int(wind[2]) and int(wind[1]) <= 360 else None,
                source=report.source,
            )
        )
    return tuple(found)


# ---- Which stations are no witnesses of their own: they share a place, repeat another, or never see cloud.

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
