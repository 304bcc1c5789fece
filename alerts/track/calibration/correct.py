"""Maps at work: chances corrected by what came of earlier ones, on columns of them, on one alone, and in an
outlook.

An outlook is corrected before it is judged. Correcting only what is shown would let a verdict rest on another
chance than the one that is told.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cached_property
from itertools import pairwise
from operator import attrgetter

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.track.calibration.model import (
    HOURS_BEFORE,
    LEADS,
    NONE_VERSION,
    TINY_CHANCE,
    WIDEST,
    CalibratedChance,
    Calibration,
    Lead,
    LeadMap,
    Method,
)
from alerts.track.calibration.pairs import Pairs
from alerts.track.calibration.score import STRENGTH_NIGHTS, Z90
from alerts.weather.outlook import Outlook
from alerts.weather.skill import Floats, chance_of, log_odds

MOST_TABLES = 400
"""Corrections kept: 150 hours for all sites alike, and as many of sites with shifts of their own."""
EVERY_PCT = np.arange(101) / 100
HOUR = timedelta(hours=1)


def kept_log_odds(chance: npt.ArrayLike, tiny: float = TINY_CHANCE) -> Floats:
    """Of a chance that is kept off 0 and 1 by so much."""
    return log_odds(np.clip(np.asarray(chance, dtype=np.float64), tiny, 1 - tiny))


def corrected(lead_map: LeadMap, site: npt.ArrayLike, raw: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Chance, and the ends of its 90 % range, for one lead; all shape (n,), inside 0..1."""
    sites = np.asarray(site, dtype=np.int64)
    shift, variance = np.zeros(sites.shape), np.full(sites.shape, lead_map.site_variance)
    if lead_map.shifts:
        known = np.array([each.site for each in lead_map.shifts])
        table = np.array([(each.shift, each.variance) for each in lead_map.shifts])
        at = np.minimum(np.searchsorted(known, sites), len(known) - 1)
        is_known = known[at] == sites
        shift, variance = np.where(is_known, table[at, 0], shift), np.where(is_known, table[at, 1], variance)
    return _shifted(lead_map, np.asarray(raw, dtype=np.float64), shift, variance)


def _shifted(
    lead_map: LeadMap, raw: Floats, shift: Floats | float, shift_variance: Floats | float
) -> tuple[Floats, Floats, Floats]:
    """By what all sites have in common, then by a site's own shift."""
    stated = kept_log_odds(raw)
    if lead_map.method is Method.LOGISTIC:
        of_intercept, of_both, of_slope = lead_map.covariance
        variance = of_intercept + 2 * of_both * stated + of_slope * stated**2
        chance = chance_of(lead_map.intercept + lead_map.slope * stated)
    elif lead_map.method is Method.ISOTONIC:
        steps = np.array([(step.chance, step.came, step.nights) for step in lead_map.steps])
        known = chance_of(stated)
        chance, nights = (np.interp(known, steps[:, 0], steps[:, column]) for column in (1, 2))
        variance = 1 / (nights * chance * (1 - chance))
    else:
        chance = np.clip(raw, lead_map.lowest, lead_map.highest)
        variance = 1 / (STRENGTH_NIGHTS * chance * (1 - chance))

    odds, half = kept_log_odds(chance, WIDEST) + shift, Z90 * np.sqrt(variance + shift_variance)
    chance = np.clip(chance_of(odds), lead_map.lowest, lead_map.highest)
    low, high = (np.clip(chance_of(each), WIDEST, 1 - WIDEST) for each in (odds - half, odds + half))
    return chance, np.minimum(low, chance), np.maximum(high, chance)


def recalibrated(pairs: Pairs, calibration: Calibration) -> Pairs:
    """The same pairs as this version would have stated them, in whole per cent; what was told stays."""
    stated = np.empty(len(pairs))
    for index, lead in enumerate(LEADS):
        own = pairs.lead == index
        if own.any():
            stated[own] = corrected(calibration.at(lead), pairs.site[own], pairs.raw[own])[0]
    return replace(pairs, stated=np.round(stated, 2))


def calibrate(calibration: Calibration, raw: float, *, hours_before: float, site: int) -> CalibratedChance:
    """The corrected chance for one statement.

    raw: 0..1, uncalibrated. hours_before: from now to the window's start; between two leads their
    answers are blended in log odds, so that a chance doesn't jump when a lead is passed. BadInput for a raw
    outside 0..1.
    """
    if not 0 <= raw <= 1:
        raise BadInput(phrase("track.chance-range", chance=raw))
    chance, low, high = _between_leads(calibration, np.array([raw]), hours_before, site)
    methods = tuple(dict.fromkeys(calibration.at(lead).method for lead in _lead_weights(hours_before)))
    return CalibratedChance(float(chance[0]), float(low[0]), float(high[0]), methods, calibration.version)


def _between_leads(
    calibration: Calibration, raw: Floats, hours_before: float, site: int
) -> tuple[Floats, Floats, Floats]:
    """Chance, and the ends of its range, of one site at a lead or between two; shape (n,)."""
    odds = []
    weights = _lead_weights(hours_before)
    for lead in weights:
        lead_map = calibration.at(lead)
        at = bisect_left(lead_map.shifts, site, key=lambda each: each.site)
        shift, variance = 0.0, lead_map.site_variance
        if at < len(lead_map.shifts) and lead_map.shifts[at].site == site:
            shift, variance = lead_map.shifts[at].shift, lead_map.shifts[at].variance
        odds.append(kept_log_odds(_shifted(lead_map, raw, shift, variance), 0.0))
    shares = np.array(list(weights.values()))
    chance, low, high = chance_of(np.tensordot(shares, np.array(odds), axes=1))
    return chance, low, high


def _lead_weights(hours_before: float) -> dict[Lead, float]:
    """The lead, or the two leads, that a statement lies at, with their weights."""
    if hours_before <= HOURS_BEFORE[LEADS[0]]:
        return {LEADS[0]: 1.0}
    for near, far in pairwise(LEADS):
        if hours_before < HOURS_BEFORE[far]:
            share = (hours_before - HOURS_BEFORE[near]) / (HOURS_BEFORE[far] - HOURS_BEFORE[near])
            return {near: 1 - share, far: share} if share else {near: 1.0}
    return {LEADS[-1]: 1.0}


class CalibrationInUse:
    """A calibration with what was worked out by it: every whole per cent at once, as a cycle asks for tens of
    thousands of chances."""

    def __init__(self, calibration: Calibration) -> None:
        self.calibration = calibration
        self._tables: dict[tuple[int, int | None], tuple[Floats, Floats, Floats]] = {}

    @cached_property
    def is_the_same_at_all_leads(self) -> bool:
        """Whether the lead makes no difference, as with the prior; sites are compared last, being many."""
        corrects = attrgetter("method", "intercept", "slope", "lowest", "highest", "steps", "shifts")
        first, *others = (corrects(self.calibration.at(lead)) for lead in LEADS)
        return all(each == first for each in others)

    @cached_property
    def sites(self) -> frozenset[int]:
        """Those with a shift of their own; all others are corrected alike."""
        return frozenset(shift.site for lead_map in self.calibration.leads for shift in lead_map.shifts)

    def chances_pct(self, raw_pct: int, hours_before: int, site: int) -> tuple[int, int, int]:
        """The corrected chance and the ends of its 90 % range, in whole per cent."""
        key = hours_before, site if site in self.sites else None
        table = self._tables.get(key)
        if table is None:
            if len(self._tables) >= MOST_TABLES:
                self._tables.clear()
            table = _between_leads(self.calibration, EVERY_PCT, float(hours_before), site)
            self._tables[key] = table
        chance, low, high = (round(100 * float(column[raw_pct])) for column in table)
        return chance, low, high


_RECENT: deque[CalibrationInUse] = deque(maxlen=2)
"""One calibration is in use at a time, and is followed by another."""


def in_use(calibration: Calibration) -> CalibrationInUse:
    for known in tuple(_RECENT):
        if known.calibration is calibration:
            return known
    made = CalibrationInUse(calibration)
    _RECENT.append(made)
    return made


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
    used, hours_before = in_use(calibration), _hours_before(outlook, now)
    chance_pct, low_pct, high_pct = used.chances_pct(raw_pct, hours_before, site)
    whole = None if whole_pct is None else used.chances_pct(whole_pct, hours_before, site)
    return replace(
        outlook,
        chance_pct=chance_pct,
        raw_chance_pct=raw_pct,
        calibration=calibration.version,
        chance_range_pct=(low_pct, high_pct),
        whole_pct=None if whole is None else whole[0],
        raw_whole_pct=whole_pct,
    )


def moves_at(
    outlook: Outlook, calibration: Calibration, *, site: int, now: datetime, until: datetime
) -> datetime:
    """When the corrected chance becomes another one by the passing of time; `until` when it doesn't before.

    outlook: as `calibrated_outlook` made it at `now`.
    """
    raw_pct = outlook.raw_chance_pct
    used = in_use(calibration)
    if raw_pct is None or used.is_the_same_at_all_leads:
        return until
    for hours in range(_hours_before(outlook, now) - 1, -1, -1):
        at = outlook.window.start - hours * HOUR
        if at >= until:
            return until
        if used.chances_pct(raw_pct, hours, site)[0] != outlook.chance_pct:
            return at
    return until


def _hours_before(outlook: Outlook, now: datetime) -> int:
    return max(0, -((now - outlook.window.start) // HOUR))
