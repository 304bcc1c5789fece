"""Fitting the maps, and the trial that decides whether they are used."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, datetime
from itertools import pairwise

import numpy as np

from alerts.track.apply import corrected, from_log_odds, prior_log_odds
from alerts.track.calibration import Calibration, LeadMap, Method, SiteShift, Step, Trial, prior_map
from alerts.track.isotonic import Floats, group_by_value, pool_adjacent_violators
from alerts.track.leads import LEADS, Lead
from alerts.track.logistic import fit_logistic, fit_shifts
from alerts.track.pairs import Bools, Pairs
from alerts.track.ranges import NIGHT_CORRELATION, STRENGTH_NIGHTS, effective_nights
from alerts.track.record import FEWEST_PAIRS

FEWEST_NIGHTS = 20
"""Many sites in one night are one weather: so many different nights are needed as well."""
ISOTONIC_FROM = 1000
CUTS = (0.5, 0.625, 0.75, 0.875, 1.0)
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
    trials = tuple(_trials(own, prior, makers))
    method, why = _winner(trials)
    chosen = makers[method](own, prior) if method in makers else replace(prior, method=method)
    return replace(chosen, why=why, trials=trials)


def _trials(own: Pairs, prior: LeadMap, makers: dict[Method, _Maker]) -> Iterator[Trial]:
    """Each method on the same nights, none of which it was fitted on; always fitted on earlier ones."""
    nights = np.unique(own.night)
    edges = [nights[min(int(cut * len(nights)), len(nights) - 1)] for cut in CUTS[:-1]] + [nights[-1] + 1]
    tested = own.where(own.night >= edges[0])
    contestants: dict[Method, _Maker] = {Method.PRIOR: lambda _, prior: prior, **makers}
    said: dict[Method, list[Floats]] = {method: [] for method in contestants}
    order = []
    for first, after in pairwise(edges):
        earlier, later = own.where(own.night < first), (tested.night >= first) & (tested.night < after)
        order.append(np.flatnonzero(later))
        for method, maker in contestants.items():
            said[method].append(_said(maker(earlier, prior), tested, later))
    tested = tested.where(np.concatenate(order))
    for method, parts in said.items():
        yield _trial(method, tested, np.concatenate(parts))


def _said(lead_map: LeadMap, tested: Pairs, later: Bools) -> Floats:
    columns = (column[later] for column in (tested.site, tested.raw, tested.member_share))
    return corrected(lead_map, *columns)[0]


def _trial(method: Method, tested: Pairs, said: Floats) -> Trial:
    """The gain, with an error that counts nights, and neighbouring ones for what they are worth."""
    uncalibrated, ours = (tested.raw - tested.clear) ** 2, (said - tested.clear) ** 2
    gains = uncalibrated - ours
    _, night = np.unique(tested.night, return_inverse=True)
    by_night = np.bincount(night, gains - gains.mean())
    widened = (1 + NIGHT_CORRELATION) / (1 - NIGHT_CORRELATION)
    error = float(np.sqrt(widened * by_night @ by_night) / len(gains))
    return Trial(
        method=method,
        pairs=len(gains),
        nights=len(by_night),
        brier_uncalibrated=float(uncalibrated.mean()),
        brier=float(ours.mean()),
        gain=float(gains.mean()),
        error=error,
    )


def _winner(trials: tuple[Trial, ...]) -> tuple[Method, str]:
    """A fitted map must gain more than the error of its gain, and do better than the prior."""
    prior = next(trial for trial in trials if trial.method is Method.PRIOR)
    fitted = [trial for trial in trials if trial.method is not Method.PRIOR]
    best = min(fitted, key=lambda trial: trial.brier)
    if best.gain > best.error and best.brier < prior.brier:
        return best.method, _say_gain(best)
    if prior.gain < -prior.error:
        return Method.AS_FORECAST, f"no map did better than the chance as forecast on {prior.nights} nights"
    return Method.PRIOR, f"no fitted map surely did better on {best.nights} nights it hadn't seen"


def _say_gain(trial: Trial) -> str:
    return (
        f"Brier score {trial.brier:.3f} against {trial.brier_uncalibrated:.3f} uncalibrated "
        f"on {trial.nights} nights it hadn't seen"
    )


def _worth(own: Pairs) -> float:
    """Independent nights a pair."""
    return effective_nights(own.site, own.night) / len(own)


def _logistic(own: Pairs, prior: LeadMap) -> LeadMap:
    odds, weight = prior_log_odds(own.raw, own.member_share), _worth(own)
    fit = fit_logistic(odds, own.clear, weight=weight)
    fitted = replace(
        prior,
        method=Method.LOGISTIC,
        intercept=fit.intercept,
        slope=fit.slope,
        covariance=fit.covariance,
    )
    return _with_shifts(fitted, own, fit.intercept + fit.slope * odds, weight)


def _isotonic(own: Pairs, prior: LeadMap) -> LeadMap:
    """Levels of pooled nights, each smoothed by half a night to either side, so that none is certain."""
    stated = np.round(from_log_odds(prior_log_odds(own.raw, own.member_share)), 3)
    weight = _worth(own)
    distinct, cases, share = group_by_value(stated, own.clear)
    levels, block = np.unique(pool_adjacent_violators(share, cases), return_inverse=True)
    held = np.bincount(block, cases)
    centre = np.bincount(block, cases * distinct) / held
    came = pool_adjacent_violators((levels * held * weight + 0.5) / (held * weight + 1), held)
    steps = tuple(
        Step(*(round(float(value), 6) for value in row))
        for row in zip(centre, came, held * weight, strict=True)
    )
    fitted = replace(prior, method=Method.ISOTONIC, steps=steps)
    chance = np.interp(stated, centre, came)
    return _with_shifts(fitted, own, np.log(chance / (1 - chance)), weight)


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
