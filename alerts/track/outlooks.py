"""The outlook with its chance corrected by what came of earlier ones."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from alerts.track.calibration import NONE_VERSION, CalibratedChance, Calibration, LeadMap
from alerts.track.correct import calibrate
from alerts.track.leads import LEADS
from alerts.track.statements import member_share
from alerts.weather.outlook import Outlook

HOUR = timedelta(hours=1)


def calibrated_outlook(outlook: Outlook, calibration: Calibration, *, site: int, now: datetime) -> Outlook:
    """The same outlook with the corrected chance, the one before it, and the version that corrected it.

    site: the number under which the record knows it. An unknown chance stays unknown; one that was
    corrected already is corrected from what it was before, and stands as it was before under the version
    that corrects nothing. The lead is taken in whole hours before the window, so that a chance doesn't
    move from minute to minute.
    """
    raw_pct = outlook.chance_pct if outlook.raw_chance_pct is None else outlook.raw_chance_pct
    if raw_pct is None:
        return outlook
    if calibration.version == NONE_VERSION:
        return replace(
            outlook, chance_pct=raw_pct, raw_chance_pct=None, calibration="", chance_range_pct=None
        )
    found = _corrected(outlook, raw_pct, calibration, _hours_before(outlook, now), site)
    return replace(
        outlook,
        chance_pct=round(100 * found.chance),
        raw_chance_pct=raw_pct,
        calibration=calibration.version,
        chance_range_pct=(round(100 * found.low), round(100 * found.high)),
    )


def moves_at(
    outlook: Outlook, calibration: Calibration, *, site: int, now: datetime, until: datetime
) -> datetime:
    """When the corrected chance becomes another one by the passing of time; `until` when it doesn't before.

    outlook: as `calibrated_outlook` made it at `now`.
    """
    raw_pct = outlook.raw_chance_pct
    if raw_pct is None or _is_the_same_at_all_leads(calibration):
        return until
    for hours in range(_hours_before(outlook, now) - 1, -1, -1):
        at = outlook.window.start - hours * HOUR
        if at >= until:
            return until
        chance = _corrected(outlook, raw_pct, calibration, hours, site).chance
        if round(100 * chance) != outlook.chance_pct:
            return at
    return until


def _is_the_same_at_all_leads(calibration: Calibration) -> bool:
    """Whether the lead makes no difference, as with the prior; the sites are compared last, being many."""
    first, *others = (calibration.at(lead) for lead in LEADS)
    return all(_what_corrects(each) == _what_corrects(first) for each in others)


def _what_corrects(lead_map: LeadMap) -> tuple[object, ...]:
    return (
        lead_map.method, lead_map.intercept, lead_map.slope, lead_map.lowest, lead_map.highest,
        lead_map.steps, lead_map.shifts,
    )  # fmt: skip


def _hours_before(outlook: Outlook, now: datetime) -> int:
    return max(0, -((now - outlook.window.start) // HOUR))


def _corrected(
    outlook: Outlook, raw_pct: int, calibration: Calibration, hours_before: int, site: int
) -> CalibratedChance:
    return calibrate(
        calibration,
        raw_pct / 100,
        hours_before=float(hours_before),
        site=site,
        member_share=member_share(outlook),
    )
