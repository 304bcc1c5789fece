"""What weather stations prove of an event, and what they don't.

A station is an uneven witness. BKN, OVC and an obscured sky above the site's height prove a bad sky;
CLR, NCD, NSC and CAVOK prove nothing of what is higher than the instrument sees, and an observer's word
in the dark is little better. So a station's "clear" is only half of a proof (see `outcome`).
Cloud whose base may lie below the site proves nothing either: the photographer may stand above it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise

from alerts.common.span import Span
from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site
from alerts.track.observations.evidence import (
    MOST_UNKNOWN_SHARE,
    Account,
    Event,
    Judge,
    OutcomeState,
    SkyReport,
    Station,
    free_of,
    joined,
    long_enough,
    longest,
    total,
)
from alerts.track.observations.sky_report import FEET_A_METRE, SkyReading, SkyState

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


class _Says(StrEnum):
    CLEAR = "clear"
    PARTLY = "partly"
    BAD = "bad"
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class _Slot:
    """The part of the window that one report speaks for."""

    span: Span
    says: _Says


def account_of_station(event: Event, site: Site, station: Station, reports: Iterable[SkyReport]) -> Account:
    """What one station says of the event.

    reports: its own, from an hour before the window to an hour after it; others are ignored.
    """
    used = reports_in_time(event, [report for report in reports if report.station == station.name])
    slots = _slots(event, [(report, _says(report.reading, station, site)) for report in used])
    says, why, clear = _verdict(event, slots)
    away_km = distance_km(site.lat_deg, site.lon_deg, station.lat_deg, station.lon_deg)
    weight, why_less = station_weight(away_km, station, site)
    if says is OutcomeState.CLEAR:
        why = _how_clear(used)
    if says is OutcomeState.CLEAR and _is_far_above(station, site):
        says, why, clear = OutcomeState.UNSURE, "clear up there, which says nothing of the site below", ()
    return Account(
        judge=Judge.STATIONS,
        witness=f"{station.name} {station.network}",
        says=says,
        why=f"{why}; {why_less}" if why_less else why,
        weight=weight,
        clear_parts=clear,
        covered_share=round(_covered(event, slots), 3),
        distance_km=round(away_km, 1),
        height_difference_m=None if station.elevation_m is None else station.elevation_m - site.elevation_m,
        raw=tuple(report.raw for report in used),
    )


def station_weight(distance_km: float, station: Station, site: Site) -> tuple[float, str]:
    """1, 0.5 or 0, and why it isn't 1. A station of unknown height can't be put above or below a cloud."""
    if station.elevation_m is None:
        return 0.0, "not counted: nobody knows its height"
    apart_m = abs(station.elevation_m - site.elevation_m)
    if distance_km > HALF_WEIGHT_KM:
        return 0.0, f"not counted: {distance_km:.0f} km away"
    if apart_m > HALF_WEIGHT_M:
        return 0.0, f"not counted: {apart_m:.0f} m higher or lower"
    if distance_km > FULL_WEIGHT_KM or apart_m > FULL_WEIGHT_M:
        return 0.5, f"counts half: {distance_km:.0f} km away, {apart_m:.0f} m higher or lower"
    return 1.0, ""


def reports_in_time(event: Event, reports: Iterable[SkyReport]) -> list[SkyReport]:
    """One report a minute, ascending, among those that can speak for the window.

    Of several texts for one minute the last that came within 48 h counts (a correction); what was
    written later is left aside. Reports without a word on the sky neither count nor end another's time.
    """
    reach = STANDS_FOR + LAG
    first, last = event.window.start - reach, event.window.end + reach
    by_minute: dict[datetime, SkyReport] = {}
    for report in sorted(_with_a_sky(reports), key=_received):
        if first <= report.at <= last and (report.at not in by_minute or _is_in_time(report)):
            by_minute[report.at] = report
    return [by_minute[at] for at in sorted(by_minute)]


def _with_a_sky(reports: Iterable[SkyReport]) -> list[SkyReport]:
    return [report for report in reports if report.reading.state is not SkyState.UNKNOWN]


def _received(report: SkyReport) -> datetime:
    return report.received_at or report.at


def _is_in_time(report: SkyReport) -> bool:
    return _received(report) - report.at <= LAST_REWRITE


def _says(reading: SkyReading, station: Station, site: Site) -> _Says:
    """What one reading says of the sky that the site sees."""
    if reading.okta_max <= CLEAR_OKTAS:
        return _Says.CLEAR
    if reading.okta_min < BAD_OKTAS:
        return _Says.PARTLY
    return _Says.BAD if oktas_above(reading, station, site) >= BAD_OKTAS else _Says.SILENT


def oktas_above(reading: SkyReading, station: Station, site: Site) -> int:
    """The least amount that hangs above the site for certain.

    An amount may include what lies beneath it (the U.S. sum), so lower layers below the site are taken
    off. A base that wasn't measured may be anywhere.
    """
    site_ft = (site.elevation_m - (station.elevation_m or 0.0)) * FEET_A_METRE
    lowest_ft = site_ft - BASE_STEP_FT
    above = [layer for layer in reading.layers if layer.base_ft is not None and layer.base_ft >= lowest_ft]
    below = [layer for layer in reading.layers if layer not in above]
    hidden = max((layer.okta_max for layer in below), default=0)
    return max((layer.okta_min for layer in above), default=0) - hidden


def _is_far_above(station: Station, site: Site) -> bool:
    return station.elevation_m is not None and station.elevation_m - site.elevation_m > FULL_WEIGHT_M


def _slots(event: Event, said: Sequence[tuple[SkyReport, _Says]]) -> tuple[_Slot, ...]:
    """The window cut half-way between neighbouring reports, each piece no wider than a report can hold."""
    meant = sorted(((_meant(report), says) for report, says in said), key=lambda pair: pair[0])
    cuts = [left + (right - left) / 2 for (left, _), (right, _) in pairwise(meant)]
    slots = []
    for i, (at, says) in enumerate(meant):
        start = max(at - STANDS_FOR, cuts[i - 1] if i else event.window.start, event.window.start)
        end = min(at + STANDS_FOR, cuts[i] if i < len(cuts) else event.window.end, event.window.end)
        if start < end:
            slots.append(_Slot(Span(start, end), says))
    return tuple(slots)


def _meant(report: SkyReport) -> datetime:
    return report.at - LAG if report.reading.is_automatic else report.at


def _covered(event: Event, slots: Sequence[_Slot]) -> float:
    known = total(slot.span for slot in slots if slot.says is not _Says.SILENT)
    return known / event.window.duration


def _verdict(event: Event, slots: Sequence[_Slot]) -> tuple[OutcomeState, str, tuple[Span, ...]]:
    """Not clear: no time is left that could hold the event. Clear: a stretch that does hold it."""
    if not slots:
        return OutcomeState.UNSURE, "no report", ()
    if _covered(event, slots) < 1 - MOST_UNKNOWN_SHARE:
        return OutcomeState.UNSURE, "too few reports that say anything of the sky", ()
    bad = [slot.span for slot in slots if slot.says is _Says.BAD]
    if longest(free_of(event.window, bad)) < event.shortest:
        return OutcomeState.NOT_CLEAR, "cloud through the window", ()
    if clear := long_enough(event, _clear_runs(slots)):
        return OutcomeState.CLEAR, "clear", clear
    return OutcomeState.UNSURE, "neither clear for long enough nor cloudy throughout", ()


def _how_clear(used: Sequence[SkyReport]) -> str:
    """How far up the clear reports see, the least of them."""
    clear = [report.reading for report in used if report.reading.okta_max <= CLEAR_OKTAS]
    reaches = [reading.reach_ft for reading in clear if reading.reach_ft is not None]
    return f"clear up to {min(reaches):,} ft above it" if reaches else "clear, as a person saw it"


def _clear_runs(slots: Sequence[_Slot]) -> tuple[Span, ...]:
    """Where reports in a row say clear: two at least, because one alone may be a gap that drifts by,
    unless the whole window holds no more than one."""
    needed = min(2, len(slots))
    runs = joined(slot.span for slot in slots if slot.says is _Says.CLEAR)
    return tuple(run for run in runs if sum(run.contains(slot.span.start) for slot in slots) >= needed)


KM_A_DEGREE = 111.2


REACH_KM = 60.0
"""Further off a station says nothing of a site's sky."""


METAR, SYNOP = "METAR", "SYNOP"


@dataclass(frozen=True, slots=True)
class Observed:
    """One report with the station that made it. source: who delivered it."""

    station: Station
    report: SkyReport
    source: str
