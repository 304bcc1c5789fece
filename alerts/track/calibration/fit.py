"""Fitting the maps, and the trial that decides whether they are used."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import pairwise

import numpy as np

from alerts.common.phrases import phrase
from alerts.track.calibration.correct import corrected, kept_log_odds
from alerts.track.calibration.model import (
    LEADS,
    Calibration,
    Lead,
    LeadMap,
    Method,
    SiteShift,
    Step,
    Trial,
    prior_map,
)
from alerts.track.calibration.pairs import Ints, Pairs
from alerts.track.calibration.regression import (
    fit_logistic,
    fit_shifts,
    group_by_value,
    pool_adjacent_violators,
)
from alerts.track.calibration.score import NIGHT_CORRELATION, effective_nights
from alerts.track.record.summary import FEWEST_PAIRS
from alerts.weather.skill import Floats, chance_of

FEWEST_NIGHTS = 20
"""Many sites in one night are one weather: so many different nights are needed as well."""
ISOTONIC_FROM = 1000
ISOTONIC_HALF = 2000
"""With so many pairs an isotonic map and the logistic one weigh the same in their mean."""
CUTS = (1 / 3, 4 / 9, 5 / 9, 2 / 3, 7 / 9, 8 / 9)
"""A trial fits on the nights before each cut and tests on those up to the next."""
SURE_ERRORS = 0.25
"""By how many standard errors a map must win its trial. Maps and shifts are held back already, so that one
adopted by luck does little harm, and a strict trial leaves a true bias standing for a year. Of 0.25, 0.5 and
1 the least squared error over sites whose biases vary by 0.5 in log odds, after 30 and 60 nights alike
(tests/unit/alerts/track/test_biased_sites.py)."""
SHIFT_NIGHTS = 10.0
"""How many nights weigh against a site's own shift: chosen of 5, 7, 10 and 20 on the same seasons. The step
by site makes the nightly fit 2.3 times as long: 23 s of processor time for 960,000 pairs at 2,000 sites."""
FEWEST_TESTED = 10
"""A site's shift is tried on so many nights at least."""

_WIDENED = (1 + NIGHT_CORRELATION) / (1 - NIGHT_CORRELATION)
"""By how much the variance of a mean grows as neighbouring nights hang together."""


def fit_calibration(pairs: Pairs, *, version: str, made_at: datetime) -> Calibration:
    """A new version of all maps, from all pairs so far, deterministic.

    version: a name that the caller chooses and keeps unique. made_at: aware UTC.
    """
    leads = tuple(fit_lead(pairs.at_lead(lead), lead) for lead in LEADS)
    through = date.fromordinal(int(pairs.night.max())) if len(pairs) else None
    return Calibration(version, made_at, through, leads)


def fit_lead(own: Pairs, lead: Lead) -> LeadMap:
    """The map for one lead from its own pairs, as far as each part of it won on nights not seen: first what
    all sites have in common, then what is left to each of them."""
    nights = len(np.unique(own.night))
    prior = prior_map(lead, len(own), nights)
    if len(own) < FEWEST_PAIRS or nights < FEWEST_NIGHTS:
        return prior

    # each method fitted on the nights before each cut, and tried on those up to the next
    methods = (Method.LOGISTIC, Method.ISOTONIC) if len(own) > ISOTONIC_FROM else (Method.LOGISTIC,)
    tested: list[Pairs] = []
    errors: dict[Method, list[Floats]] = {method: [] for method in methods}
    for earlier, later in _splits(own):
        tested.append(later)
        for method in methods:
            errors[method].append(_errors(_fitted(method, earlier, prior), later))
    contest = _Contest(
        night=np.concatenate([each.night for each in tested]),
        uncalibrated=np.concatenate([(each.raw - each.clear) ** 2 for each in tested]),
        errors={method: np.concatenate(parts) for method, parts in errors.items()},
    )

    # the isotonic map where it beats the logistic one, and either only where it surely beats the raw chance
    best = Method.LOGISTIC
    if Method.ISOTONIC in methods and contest.gain(contest.errors[best], Method.ISOTONIC)[0] > 0:
        best = Method.ISOTONIC
    trial = contest.trial(best)
    if trial.gain > SURE_ERRORS * trial.error:
        why = phrase(
            "track.why-fitted", brier=trial.brier, uncalibrated=trial.brier_uncalibrated, nights=trial.nights
        )
    else:
        best, why = Method.PRIOR, phrase("track.why-not-better", nights=trial.nights)

    chosen = _fitted(best, own, prior)
    own_ways = _sites_with_own_ways(own, prior, best)
    if own_ways:
        why = phrase("track.why-shifted", why=why, shifted=len(own_ways), sites=len(np.unique(own.site)))
    if own_ways or best is not Method.PRIOR:
        chosen = _with_shifts(chosen, own, only=own_ways)
    return replace(chosen, why=why, trials=tuple(contest.trial(method) for method in methods))


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
        return float(gains.mean()), float(np.sqrt(_WIDENED * by_night @ by_night) / len(gains))

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


def _splits(own: Pairs) -> Iterator[tuple[Pairs, Pairs]]:
    """The pairs of the nights before each cut, and of those up to the next."""
    nights = np.unique(own.night)
    edges = [nights[int(cut * len(nights))] for cut in CUTS] + [nights[-1] + 1]
    for first, after in pairwise(edges):
        yield own.where(own.night < first), own.where((own.night >= first) & (own.night < after))


def _errors(lead_map: LeadMap, later: Pairs) -> Floats:
    """Squared, of what the map makes of these pairs."""
    said, _, _ = corrected(lead_map, later.site, later.raw)
    return (said - later.clear) ** 2


def _sites_with_own_ways(own: Pairs, blank: LeadMap, method: Method) -> frozenset[int]:
    """Those at which their own shift surely did better than what all have in common, on nights that neither
    was fitted on."""
    tested_at, gained = [], []
    for earlier, later in _splits(own):
        common = _fitted(method, earlier, blank)
        tested_at.append(later.site)
        gained.append(_errors(common, later) - _errors(_with_shifts(common, earlier), later))
    gains = np.concatenate(gained)
    sites, group, tested = np.unique(np.concatenate(tested_at), return_inverse=True, return_counts=True)
    mean = np.bincount(group, gains) / tested
    error = np.sqrt(_WIDENED * np.bincount(group, (gains - mean[group]) ** 2)) / tested
    won = (tested >= FEWEST_TESTED) & (mean > SURE_ERRORS * error)
    return frozenset(sites[won].tolist())


def _worth(own: Pairs) -> float:
    """Independent nights a pair."""
    return effective_nights(own.site, own.night) / len(own)


def _fitted(method: Method, own: Pairs, blank: LeadMap) -> LeadMap:
    """The map of that method on these pairs; `blank`, which leaves chances alone, where the prior won.

    An isotonic map's levels are of pooled nights, each smoothed by half a night to either side, so that none
    is certain, and averaged with the logistic map in log odds: at 2,000 simulated pairs the two are wrong in
    different places, and further from the truth each than both together.
    """
    if method is Method.PRIOR:
        return blank
    odds, weight = kept_log_odds(own.raw), _worth(own)
    fit = fit_logistic(odds, own.clear, weight=weight)
    if method is Method.LOGISTIC:
        return replace(
            blank, method=method, intercept=fit.intercept, slope=fit.slope, covariance=fit.covariance
        )
    distinct, cases, share = group_by_value(np.round(chance_of(odds), 3), own.clear)
    levels, block = np.unique(pool_adjacent_violators(share, cases), return_inverse=True)
    held = np.asarray(np.bincount(block, cases), dtype=np.float64)
    centre = np.bincount(block, cases * distinct) / held  # of each level: the mean chance stated
    smooth = pool_adjacent_violators((levels * held * weight + 0.5) / (held * weight + 1), held)
    trust = len(own) / (len(own) + ISOTONIC_HALF)
    straight = fit.intercept + fit.slope * kept_log_odds(centre)
    came = chance_of(trust * kept_log_odds(smooth) + (1 - trust) * straight)
    steps = tuple(
        Step(*(round(float(value), 6) for value in row))
        for row in zip(centre, came, held * weight, strict=True)
    )
    return replace(blank, method=method, steps=steps)


def _with_shifts(common: LeadMap, own: Pairs, only: frozenset[int] | None = None) -> LeadMap:
    """The map with what its sites add to the log odds of all; nothing at those that `only` leaves out, whose
    variance is known as well."""
    odds, weight = kept_log_odds(corrected(common, own.site, own.raw)[0]), _worth(own)
    sites, group = np.unique(own.site, return_inverse=True)
    shift, variance, unknown = fit_shifts(odds, own.clear, group, weight=weight, strength=SHIFT_NIGHTS)
    nights = weight * np.bincount(group)
    rows = zip(sites.tolist(), shift.tolist(), variance.tolist(), nights.tolist(), strict=True)
    return replace(
        common,
        shifts=tuple(
            SiteShift(
                site, round(by, 6) if only is None or site in only else 0.0, round(spread, 6), round(count, 1)
            )
            for site, by, spread, count in rows
        ),
        site_variance=unknown,
    )
