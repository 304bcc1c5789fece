"""The outlook with its chance corrected by what came of earlier ones.

It is corrected before it is judged. Correcting only what is shown would let a verdict rest on another chance
than the one that is told.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cached_property

from alerts.track.calibration.correct_one import calibrate
from alerts.track.calibration.leads import LEADS
from alerts.track.calibration.model import NONE_VERSION, CalibratedChance, Calibration, LeadMap
from alerts.weather.outlook import Outlook

HOUR = timedelta(hours=1)
MOST_CHANCES = 20_000
"""Corrected chances that are kept: some 100 per cents at 150 hours."""


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
    whole_pct = outlook.whole_pct if outlook.raw_whole_pct is None else outlook.raw_whole_pct
    if calibration.version == NONE_VERSION:
        return replace(
            outlook,
            chance_pct=raw_pct,
            raw_chance_pct=None,
            calibration="",
            chance_range_pct=None,
            whole_pct=whole_pct,
            raw_whole_pct=None,
        )
    in_use, hours_before = _in_use(calibration), _hours_before(outlook, now)
    found = in_use.corrected(raw_pct, hours_before, site)
    whole = None if whole_pct is None else in_use.corrected(whole_pct, hours_before, site)
    return replace(
        outlook,
        chance_pct=round(100 * found.chance),
        raw_chance_pct=raw_pct,
        calibration=calibration.version,
        chance_range_pct=(round(100 * found.low), round(100 * found.high)),
        whole_pct=None if whole is None else round(100 * whole.chance),
        raw_whole_pct=whole_pct,
    )


def moves_at(
    outlook: Outlook, calibration: Calibration, *, site: int, now: datetime, until: datetime
) -> datetime:
    """When the corrected chance becomes another one by the passing of time; `until` when it doesn't before.

    outlook: as `calibrated_outlook` made it at `now`.
    """
    raw_pct = outlook.raw_chance_pct
    in_use = _in_use(calibration)
    if raw_pct is None or in_use.is_the_same_at_all_leads:
        return until
    for hours in range(_hours_before(outlook, now) - 1, -1, -1):
        at = outlook.window.start - hours * HOUR
        if at >= until:
            return until
        chance = in_use.corrected(raw_pct, hours, site).chance
        if round(100 * chance) != outlook.chance_pct:
            return at
    return until


class _InUse:
    """A calibration with what was worked out by it."""

    def __init__(self, calibration: Calibration) -> None:
        self.calibration = calibration
        self.chances: dict[tuple[int, int], CalibratedChance] = {}

    @cached_property
    def is_the_same_at_all_leads(self) -> bool:
        """Whether the lead makes no difference, as with the prior; sites are compared last, being many."""
        first, *others = (self.calibration.at(lead) for lead in LEADS)
        return all(_what_corrects(each) == _what_corrects(first) for each in others)

    @cached_property
    def sites(self) -> frozenset[int]:
        """Those with a shift of their own; all others are corrected alike."""
        return frozenset(shift.site for lead_map in self.calibration.leads for shift in lead_map.shifts)

    def corrected(self, raw_pct: int, hours_before: int, site: int) -> CalibratedChance:
        if site in self.sites:
            return self._calibrate(raw_pct, hours_before, site)
        key = raw_pct, hours_before
        found = self.chances.get(key)
        if found is None:
            found = self._calibrate(raw_pct, hours_before, site)
            if len(self.chances) < MOST_CHANCES:
                self.chances[key] = found
        return found

    def _calibrate(self, raw_pct: int, hours_before: int, site: int) -> CalibratedChance:
        return calibrate(self.calibration, raw_pct / 100, hours_before=float(hours_before), site=site)


_RECENT: deque[_InUse] = deque(maxlen=2)
"""One calibration is in use at a time, and is followed by another."""


def _in_use(calibration: Calibration) -> _InUse:
    for known in tuple(_RECENT):
        if known.calibration is calibration:
            return known
    made = _InUse(calibration)
    _RECENT.append(made)
    return made


def _what_corrects(lead_map: LeadMap) -> tuple[object, ...]:
    return (
        lead_map.method, lead_map.intercept, lead_map.slope, lead_map.lowest, lead_map.highest,
        lead_map.steps, lead_map.shifts,
    )  # fmt: skip


def _hours_before(outlook: Outlook, now: datetime) -> int:
    return max(0, -((now - outlook.window.start) // HOUR))
