"""Regressions of what came on what was said: isotonic by pooling adjacent violators (Ayer et al. 1955, Ann.
Math. Stat. 26, 641), and logistic on log odds, pulled toward leaving them alone; and shifts for sites."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.weather.skill import Floats


def pool_adjacent_violators(values: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> Floats:
    """The rising sequence nearest to `values` in (weighted) squared error, of the same length.

    values: shape (n,), in the order of what they should rise with. weights: shape (n,), above 0.
    """
    told = np.asarray(values, dtype=np.float64)
    weighed = np.ones(len(told)) if weights is None else np.asarray(weights, dtype=np.float64)
    means: list[float] = []  # of each block, with its weight and how many values it holds
    masses: list[float] = []
    counts: list[int] = []
    for value, weight in zip(told.tolist(), weighed.tolist(), strict=True):
        mean, mass, count = value, weight, 1
        while means and means[-1] >= mean:
            mass_before = masses.pop()
            mean = (means.pop() * mass_before + mean * mass) / (mass_before + mass)
            mass, count = mass + mass_before, count + counts.pop()
        means.append(mean)
        masses.append(mass)
        counts.append(count)
    return np.repeat(np.array(means), np.array(counts, dtype=np.int64))


def group_by_value(values: Floats, clear: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
    """The distinct values ascending, how many cases each has, and the share of them that came clear."""
    distinct, which = np.unique(values, return_inverse=True)
    cases = np.bincount(which, minlength=len(distinct)).astype(np.float64)
    came = np.bincount(which, weights=np.asarray(clear, dtype=np.float64), minlength=len(distinct))
    return distinct, cases, came / cases


PULL = 3.0
"""Half of this times the squared distance from intercept 0 and slope 1 is the price of moving away: as if
they strayed by 0.6 from place to place. Chosen of 1, 3 and 4 on simulated seasons of 30 and 60 nights
(tests/unit/alerts/track/test_biased_sites.py)."""
_MOST_STEPS = 60
_CLOSE = 1e-10
_ENDLESS_ODDS = 40.0
"""Log odds that no record of nights can bear out: the fit is running away."""


@dataclass(frozen=True, slots=True)
class LogisticFit:
    """log odds out = intercept + slope * log odds in. covariance: of intercept, both, slope."""

    intercept: float
    slope: float
    covariance: tuple[float, float, float]


def fit_logistic(
    odds: Floats, clear: npt.ArrayLike, *, weight: float = 1.0, pull: float = PULL
) -> LogisticFit:
    """The map that makes what came most likely, less the price of leaving identity.

    odds: log odds stated, shape (n,); clear: 0 or 1, same shape. weight: what one case is worth, below 1
    where cases hang together. The slope never turns negative: a forecast isn't read backwards.
    BadInput where there is no best map, which only happens without a pull.
    """
    came = np.asarray(clear, dtype=np.float64)
    best, covariance = _newton(np.column_stack([np.ones_like(odds), odds]), came, weight, pull, (0.0, 1.0))
    if best[1] < 0:
        level, spread = _newton(np.ones((len(odds), 1)), came, weight, pull, (0.0,))
        return LogisticFit(float(level[0]), 0.0, (float(spread[0, 0]), 0.0, 0.0))
    parts = (float(covariance[0, 0]), float(covariance[0, 1]), float(covariance[1, 1]))
    return LogisticFit(float(best[0]), float(best[1]), parts)


def _newton(
    design: Floats, came: Floats, weight: float, pull: float, home: tuple[float, ...]
) -> tuple[Floats, Floats]:
    """Newton's method, the step halved until the price falls; the answer and its covariance."""
    start = np.array(home)
    best, price = start, weight * _misfit(design, came, start)
    for _ in range(_MOST_STEPS):
        chance = 1 / (1 + np.exp(-np.clip(design @ best, -500, 500)))
        slope = weight * design.T @ (came - chance) - pull * (best - start)
        bend = weight * (design.T * (chance * (1 - chance))) @ design + pull * np.eye(len(start))
        step = np.linalg.solve(bend, slope)
        while True:
            away = best + step - start
            reached = weight * _misfit(design, came, best + step) + pull / 2 * float(away @ away)
            if reached <= price + _CLOSE:
                break
            step = step / 2
        best, price = best + step, reached
        if float(np.abs(design @ best).max()) > _ENDLESS_ODDS:
            break
        if float(np.abs(step).max()) < _CLOSE:
            return best, np.linalg.inv(bend)
    raise BadInput(phrase("track.no-best-map"))


def _misfit(design: Floats, came: Floats, at: Floats) -> float:
    odds = design @ at
    return float(np.sum(np.logaddexp(0, odds) - came * odds))


def fit_shifts(
    odds: Floats, clear: npt.ArrayLike, group: npt.NDArray[np.int64], *, weight: float, strength: float
) -> tuple[Floats, Floats, float]:
    """Shift and variance of each group's log odds, and the variance of a group nobody knows.

    group: 0..g-1 for each case. A shift is held back as `strength` nights at the mean chance would hold it
    back, so that few nights move it little: on the scale of shares that is (K p + k) / (K + n).
    """
    came = np.asarray(clear, dtype=np.float64)
    mean = float(came.mean() + 1e-3) / 1.002
    hold = strength * mean * (1 - mean)
    shift = np.zeros(int(group.max()) + 1)
    for _ in range(_MOST_STEPS):
        chance = 1 / (1 + np.exp(-(odds + shift[group])))
        slope = weight * np.bincount(group, came - chance) - hold * shift
        bend = weight * np.bincount(group, chance * (1 - chance)) + hold
        step = np.clip(slope / bend, -1.0, 1.0)
        shift = shift + step
        if float(np.abs(step).max()) < 1e-9:
            break
    return shift, 1 / bend, 1 / hold
