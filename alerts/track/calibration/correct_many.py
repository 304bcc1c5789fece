"""Maps at work on columns of chances; `correct` does the same for one, and tests hold the two equal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from alerts.track.calibration.intervals import STRENGTH_NIGHTS, Z90
from alerts.track.calibration.isotonic import Floats
from alerts.track.calibration.leads import LEADS
from alerts.track.calibration.model import TINY_CHANCE, WIDEST, Calibration, LeadMap, Method
from alerts.track.calibration.pairs import Pairs


def log_odds(chance: npt.ArrayLike, tiny: float = TINY_CHANCE) -> Floats:
    """ln(p / (1 - p)), with p kept off 0 and 1."""
    kept = np.clip(np.asarray(chance, dtype=np.float64), tiny, 1 - tiny)
    return np.log(kept) - np.log1p(-kept)


def from_log_odds(odds: Floats) -> Floats:
    return 1 / (1 + np.exp(-odds))


def corrected(lead_map: LeadMap, site: npt.ArrayLike, raw: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Chance, and the ends of its 90 % range, for one lead; all shape (n,), inside 0..1."""
    chance, variance = _chance_and_variance(lead_map, np.asarray(raw, dtype=np.float64))
    shift, shift_variance = _of_sites(lead_map, np.asarray(site, dtype=np.int64))
    odds, half = log_odds(chance, WIDEST) + shift, Z90 * np.sqrt(variance + shift_variance)
    chance = np.clip(from_log_odds(odds), lead_map.lowest, lead_map.highest)
    low, high = (np.clip(from_log_odds(each), WIDEST, 1 - WIDEST) for each in (odds - half, odds + half))
    return chance, np.minimum(low, chance), np.maximum(high, chance)


def _chance_and_variance(lead_map: LeadMap, raw: Floats) -> tuple[Floats, Floats]:
    """The chance before a site's shift, and the variance of its log odds."""
    odds = log_odds(raw)
    if lead_map.method is Method.LOGISTIC:
        of_intercept, of_both, of_slope = lead_map.covariance
        variance = of_intercept + 2 * of_both * odds + of_slope * odds**2
        return from_log_odds(lead_map.intercept + lead_map.slope * odds), variance
    if lead_map.method is Method.ISOTONIC:
        steps = np.array([(step.chance, step.came, step.nights) for step in lead_map.steps])
        known = from_log_odds(odds)
        came, nights = (np.interp(known, steps[:, 0], steps[:, column]) for column in (1, 2))
        return came, 1 / (nights * came * (1 - came))
    chance = np.clip(raw, lead_map.lowest, lead_map.highest)
    return chance, 1 / (STRENGTH_NIGHTS * chance * (1 - chance))


def _of_sites(lead_map: LeadMap, site: npt.NDArray[np.int64]) -> tuple[Floats, Floats]:
    if not lead_map.shifts:
        return np.zeros(site.shape), np.full(site.shape, lead_map.site_variance)
    known = np.array([each.site for each in lead_map.shifts])
    table = np.array([(each.shift, each.variance) for each in lead_map.shifts])
    at = np.minimum(np.searchsorted(known, site), len(known) - 1)
    is_known = known[at] == site
    unknown_variance = lead_map.site_variance
    return np.where(is_known, table[at, 0], 0.0), np.where(is_known, table[at, 1], unknown_variance)


def recalibrated(pairs: Pairs, calibration: Calibration) -> Pairs:
    """The same pairs as this version would have stated them, in whole per cent; what was told stays."""
    stated = np.empty(len(pairs))
    for index, lead in enumerate(LEADS):
        own = pairs.lead == index
        if own.any():
            stated[own] = corrected(calibration.at(lead), pairs.site[own], pairs.raw[own])[0]
    return replace(pairs, stated=np.round(stated, 2))
