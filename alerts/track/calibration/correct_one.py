"""One chance corrected: plain arithmetic, so that a cycle can correct tens of thousands in a second."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from itertools import pairwise
from math import exp, log, sqrt

from alerts.common.errors import BadInput
from alerts.track.calibration.intervals import STRENGTH_NIGHTS, Z90
from alerts.track.calibration.leads import HOURS_BEFORE, LEADS, Lead
from alerts.track.calibration.model import (
    TINY_CHANCE,
    WIDEST,
    CalibratedChance,
    Calibration,
    LeadMap,
    Method,
    Step,
)


def calibrate(calibration: Calibration, raw: float, *, hours_before: float, site: int) -> CalibratedChance:
    """The corrected chance for one statement.

    raw: 0..1, uncalibrated. hours_before: from now to the window's start; between two leads their
    answers are blended in log odds, so that a chance doesn't jump when a lead is passed. BadInput for a raw
    outside 0..1.
    """
    if not 0 <= raw <= 1:
        raise BadInput(f"a chance must lie between 0 and 1, got {raw:g}.")
    weights = _lead_weights(hours_before)
    maps = [calibration.at(lead) for lead in weights]
    answers = [_corrected(each, site, raw) for each in maps]
    chance, low, high = (
        _blend([answer[column] for answer in answers], list(weights.values())) for column in range(3)
    )
    methods = tuple(dict.fromkeys(each.method for each in maps))
    return CalibratedChance(chance, low, high, methods, calibration.version)


def _lead_weights(hours_before: float) -> dict[Lead, float]:
    """The lead, or the two leads, that a statement lies at, with their weights."""
    if hours_before <= HOURS_BEFORE[LEADS[0]]:
        return {LEADS[0]: 1.0}
    for near, far in pairwise(LEADS):
        if hours_before < HOURS_BEFORE[far]:
            share = (hours_before - HOURS_BEFORE[near]) / (HOURS_BEFORE[far] - HOURS_BEFORE[near])
            return {near: 1 - share, far: share} if share else {near: 1.0}
    return {LEADS[-1]: 1.0}


def _blend(chances: Sequence[float], weights: Sequence[float]) -> float:
    return _chance(sum(w * _odds(p, 0.0) for p, w in zip(chances, weights, strict=True)))


def _corrected(lead_map: LeadMap, site: int, raw: float) -> tuple[float, float, float]:
    """Chance, and the ends of its 90 % range: as `apply.corrected` for one."""
    chance, variance = _chance_and_variance(lead_map, raw)
    shift, shift_variance = _of_site(lead_map, site)
    odds, half = _odds(chance, WIDEST) + shift, Z90 * sqrt(variance + shift_variance)
    chance = _held(_chance(odds), lead_map.lowest, lead_map.highest)
    low, high = (_held(_chance(each), WIDEST, 1 - WIDEST) for each in (odds - half, odds + half))
    return chance, min(low, chance), max(high, chance)


def _chance_and_variance(lead_map: LeadMap, raw: float) -> tuple[float, float]:
    """The chance before the site's shift, and the variance of its log odds."""
    odds = _odds(raw)
    if lead_map.method is Method.LOGISTIC:
        of_intercept, of_both, of_slope = lead_map.covariance
        variance = of_intercept + 2 * of_both * odds + of_slope * odds**2
        return _chance(lead_map.intercept + lead_map.slope * odds), variance
    if lead_map.method is Method.ISOTONIC:
        came, nights = _between(lead_map.steps, _chance(odds))
        return came, 1 / (nights * came * (1 - came))
    chance = _held(raw, lead_map.lowest, lead_map.highest)
    return chance, 1 / (STRENGTH_NIGHTS * chance * (1 - chance))


def _between(steps: Sequence[Step], chance: float) -> tuple[float, float]:
    """What came, and the nights behind it, on the straight line between two steps; level beyond them."""
    after = bisect_right(steps, chance, key=lambda step: step.chance)
    if after in (0, len(steps)):
        end = steps[0 if after == 0 else -1]
        return end.came, end.nights
    left, right = steps[after - 1], steps[after]
    share = (chance - left.chance) / (right.chance - left.chance)
    return left.came + share * (right.came - left.came), left.nights + share * (right.nights - left.nights)


def _of_site(lead_map: LeadMap, site: int) -> tuple[float, float]:
    """Shift and variance of a site; a site that isn't listed has none of its own."""
    shifts = lead_map.shifts
    at = bisect_left(shifts, site, key=lambda each: each.site)
    if at < len(shifts) and shifts[at].site == site:
        return shifts[at].shift, shifts[at].variance
    return 0.0, lead_map.site_variance


def _odds(chance: float, tiny: float = TINY_CHANCE) -> float:
    kept = _held(chance, tiny, 1 - tiny)
    return log(kept) - log(1 - kept)


def _chance(odds: float) -> float:
    return 1 / (1 + exp(-odds))


def _held(value: float, lowest: float, highest: float) -> float:
    return min(max(value, lowest), highest)
