"""Fitting the maps, and the trial that decides whether they are used."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import pairwise

import numpy as np

from alerts.track.apply import corrected, from_log_odds, log_odds
from alerts.track.calibration import Calibration, LeadMap, Method, SiteShift, Step, Trial, prior_map
from alerts.track.isotonic import Floats, group_by_value, pool_adjacent_violators
from alerts.track.leads import LEADS, Lead
from alerts.track.logistic import fit_logistic, fit_shifts
from alerts.track.pairs import Bools, Ints, Pairs
from alerts.track.ranges import NIGHT_CORRELATION, STRENGTH_NIGHTS, effective_nights
from alerts.track.record import FEWEST_PAIRS

FEWEST_NIGHTS = 20
"""Many sites in one night are one weather: so many different nights are needed as well."""
ISOTONIC_FROM = 1000
ISOTONIC_HALF = 2000
"""With so many pairs an isotonic map and the logistic one weigh the same in their mean."""
CUTS = (0.5, 0.625, 0.75, 0.875)
"""A trial fits on the nights before each cut and tests on those up to the next."""


_Maker = Callable[[Pairs, LeadMap], LeadMap]


def fit_calibration(pairs: Pairs, *, version: str, made_at: datetime) -> Calibration:
    """A new version of all maps, from all pairs so far, deterministic.

    version: a name that the caller chooses and keeps unique. made_at: aware UTC.
    """
    leads = tuple(fit_lead(pairs.at_lead(lead), lead) for lead in LEADS)
    through = date.fromordinal(int(pairs.night.max())) if len(pairs) else None
    return Calibration(version, made_at, through, leads)


def fit_lead(own: Pairs, lead: Lead) -> LeadMap:
    """The map for one lead from its own pairs: what these allow, and what won on nights not seen."""
    nights = len(np.unique(own.night))
    prior = prior_map(lead, len(own), nights)
    if len(own) < FEWEST_PAIRS or nights < FEWEST_NIGHTS:
        return prior
    makers: dict[Method, _Maker] = {Method.LOGISTIC: _logistic}
    if len(own) > ISOTONIC_FROM:
        makers[Method.ISOTONIC] = _isotonic
    contest = _hold(own, prior, makers)
    method, why = _winner(contest)
    chosen = makers[method](own, prior) if method in makers else prior
    return replace(chosen, why=why, trials=tuple(contest.trial(each) for each in contest.errors))


@dataclass(frozen=True, slots=True, eq=False)
class _Contest:
    """Squared errors of each method on the same nights, none of which it was fitted on; shape (n,)."""

    night: Ints
    uncalibrated: Floats
    errors: Mapping[Method, Floats]

    def gain(self, over: Floats, method: Method) -> tuple[float, float]:
        """The mean gain of a method over other errors, and its standard error: nights are what is
        counted, neighbouring ones for what they are worth."""
        gains = over - self.errors[method]
        _, night = np.unique(self.night, return_inverse=True)
        by_night = np.bincount(night, gains - gains.mean())
        widened = (1 + NIGHT_CORRELATION) / (1 - NIGHT_CORRELATION)
        return float(gains.mean()), float(np.sqrt(widened * by_night @ by_night) / len(gains))

    def trial(self, method: Method) -> Trial:
        gain, error = self.gain(self.uncalibrated, method)
        return Trial(
            method=method,
            pairs=len(self.night),
            nights=len(np.unique(self.night)),
            brier_uncalibrated=float(self.uncalibrated.mean()),
            brier=float(self.errors[method].mean()),
            gain=gain,
            error=error,
        )


def _hold(own: Pairs, blank: LeadMap, makers: Mapping[Method, _Maker]) -> _Contest:
    """Each method fitted on the nights before each cut, and tried on those up to the next."""
    nights = np.unique(own.night)
    edges = [nights[int(cut * len(nights))] for cut in CUTS] + [nights[-1] + 1]
    errors: dict[Method, list[Floats]] = {method: [] for method in makers}
    tested = []
    for first, after in pairwise(edges):
        earlier = own.where(own.night < first)
        later = own.where((own.night >= first) & (own.night < after))
        tested.append(later)
        for method, maker in makers.items():
            said, _, _ = corrected(maker(earlier, blank), later.site, later.raw)
            errors[method].append((said - later.clear) ** 2)
    return _Contest(
        night=np.concatenate([each.night for each in tested]),
        uncalibrated=np.concatenate([(each.raw - each.clear) ** 2 for each in tested]),
        errors={method: np.concatenate(parts) for method, parts in errors.items()},
    )


def _winner(contest: _Contest) -> tuple[Method, str]:
    """The isotonic map where it beats the logistic one, and either only where it surely beats the
    uncalibrated chance."""
    fitted = Method.LOGISTIC
    if Method.ISOTONIC in contest.errors:
        gain, _ = contest.gain(contest.errors[Method.LOGISTIC], Method.ISOTONIC)
        fitted = Method.ISOTONIC if gain > 0 else fitted
    trial = contest.trial(fitted)
    if trial.gain > trial.error:
        return fitted, _say_gain(trial)
    return Method.PRIOR, f"no fitted map surely did better on {trial.nights} nights it hadn't seen"


def _say_gain(trial: Trial) -> str:
    return (
        f"Brier score {trial.brier:.3f} against {trial.brier_uncalibrated:.3f} uncalibrated "
        f"on {trial.nights} nights it hadn't seen"
    )


def _worth(own: Pairs) -> float:
    """Independent nights a pair."""
    return effective_nights(own.site, own.night) / len(own)


def _logistic(own: Pairs, blank: LeadMap) -> LeadMap:
    odds, weight = log_odds(own.raw), _worth(own)
    fit = fit_logistic(odds, own.clear, weight=weight)
    fitted = replace(
        blank,
        method=Method.LOGISTIC,
        intercept=fit.intercept,
        slope=fit.slope,
        covariance=fit.covariance,
    )
    return _with_shifts(fitted, own, fit.intercept + fit.slope * odds, weight)


def _isotonic(own: Pairs, blank: LeadMap) -> LeadMap:
    """Levels of pooled nights, each smoothed by half a night to either side, so that none is certain, and
    averaged with the logistic map in log odds: at 2,000 simulated pairs the two are wrong in different
    places, and further from the truth each than both together."""
    odds, weight = log_odds(own.raw), _worth(own)
    centre, levels, held = _levels(np.round(from_log_odds(odds), 3), own.clear)
    smooth = pool_adjacent_violators((levels * held * weight + 0.5) / (held * weight + 1), held)
    fit = fit_logistic(odds, own.clear, weight=weight)
    trust = len(own) / (len(own) + ISOTONIC_HALF)
    straight = fit.intercept + fit.slope * log_odds(centre)
    came = from_log_odds(trust * log_odds(smooth) + (1 - trust) * straight)
    steps = tuple(
        Step(*(round(float(value), 6) for value in row))
        for row in zip(centre, came, held * weight, strict=True)
    )
    fitted = replace(blank, method=Method.ISOTONIC, steps=steps)
    return _with_shifts(fitted, own, log_odds(np.interp(from_log_odds(odds), centre, came)), weight)


def _levels(chance: Floats, clear: Bools) -> tuple[Floats, Floats, Floats]:
    """Of each isotonic level: the mean chance stated, the share that came clear, how many pairs it holds."""
    distinct, cases, share = group_by_value(chance, clear)
    levels, block = np.unique(pool_adjacent_violators(share, cases), return_inverse=True)
    held = np.asarray(np.bincount(block, cases), dtype=np.float64)
    return np.bincount(block, cases * distinct) / held, levels, held


def _with_shifts(lead_map: LeadMap, own: Pairs, odds: Floats, weight: float) -> LeadMap:
    sites, group = np.unique(own.site, return_inverse=True)
    shift, variance, unknown = fit_shifts(odds, own.clear, group, weight=weight, strength=STRENGTH_NIGHTS)
    nights = weight * np.bincount(group)
    rows = zip(sites.tolist(), shift.tolist(), variance.tolist(), nights.tolist(), strict=True)
    return replace(
        lead_map,
        shifts=tuple(
            SiteShift(site, round(by, 6), round(spread, 6), round(count, 1))
            for site, by, spread, count in rows
        ),
        site_variance=unknown,
    )
