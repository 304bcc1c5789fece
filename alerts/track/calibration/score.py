"""Scores of stated chances against what came.

Brier score: G. W. Brier 1950, Mon. Wea. Rev. 78, 1. Parts: A. H. Murphy 1973, J. Appl. Meteor. 12, 595,
and, with isotonic regression in place of bins, T. Dimitriadis, T. Gneiting and A. I. Jordan 2021,
PNAS 118, e2016191118.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.track.calibration.regression import group_by_value, pool_adjacent_violators
from alerts.weather.skill import Floats


@dataclass(frozen=True, slots=True)
class MurphyParts:
    """brier = reliability - resolution + uncertainty; small reliability and large resolution are good."""

    reliability: float
    resolution: float
    uncertainty: float

    @property
    def brier(self) -> float:
        return self.reliability - self.resolution + self.uncertainty

    @property
    def skill(self) -> float:
        """Against always saying the share that came clear, which nobody knew beforehand."""
        return 1 - self.brier / self.uncertainty if self.uncertainty else 0.0


@dataclass(frozen=True, slots=True)
class IsotonicParts:
    """brier = miscalibration - discrimination + uncertainty; needs no bins."""

    miscalibration: float
    discrimination: float
    uncertainty: float


def brier_score(chance: npt.ArrayLike, clear: npt.ArrayLike) -> float:
    """The mean squared difference between the chance (0..1) and what came (0 or 1); less is better.

    chance, clear: shape (n,), n > 0. BadInput for none, or for chances outside 0..1.
    """
    said, came = _checked(chance, clear)
    return float(np.mean((said - came) ** 2))


def brier_skill(brier: float, reference: float) -> float:
    """1 is perfect, 0 as good as the reference, below 0 worse. 0 where the reference can't be beaten."""
    return 1 - brier / reference if reference > 0 else 0.0


def murphy_parts(chance: npt.ArrayLike, clear: npt.ArrayLike) -> MurphyParts:
    """Murphy's three parts over the distinct stated values, so that they add up to the score exactly."""
    said, came = _checked(chance, clear)
    distinct, cases, share = group_by_value(said, came)
    return murphy_parts_of_groups(distinct, share, cases)


def murphy_parts_of_groups(
    chance: npt.ArrayLike, came_share: npt.ArrayLike, weight: npt.ArrayLike
) -> MurphyParts:
    """The same from a table: the value stated, the share that came, and how often it was stated."""
    said, share, often = (np.asarray(column, dtype=np.float64) for column in (chance, came_share, weight))
    often = often / often.sum()
    base = float(often @ share)
    return MurphyParts(
        reliability=float(often @ (said - share) ** 2),
        resolution=float(often @ (share - base) ** 2),
        uncertainty=base * (1 - base),
    )


def isotonic_parts(chance: npt.ArrayLike, clear: npt.ArrayLike) -> IsotonicParts:
    """Miscalibration (what recalibrating in hindsight would gain) and discrimination."""
    said, came = _checked(chance, clear)
    _, cases, share = group_by_value(said, came)
    fitted = np.repeat(pool_adjacent_violators(share, cases), cases.astype(np.int64))
    order = np.argsort(said, kind="stable")
    recalibrated = float(np.mean((fitted - came[order]) ** 2))
    base = float(came.mean())
    uncertainty = base * (1 - base)
    return IsotonicParts(
        miscalibration=float(np.mean((said - came) ** 2)) - recalibrated,
        discrimination=uncertainty - recalibrated,
        uncertainty=uncertainty,
    )


def _checked(chance: npt.ArrayLike, clear: npt.ArrayLike) -> tuple[Floats, Floats]:
    said, came = np.asarray(chance, dtype=np.float64), np.asarray(clear, dtype=np.float64)
    if said.shape != came.shape or said.ndim != 1 or not said.size:
        raise BadInput(phrase("track.score-needs-pairs"))
    if not bool(np.all((said >= 0) & (said <= 1))):
        raise BadInput(phrase("track.score-chance-range"))
    return said, came


# ---- What few nights can show: ranges of shares, shrinkage, limits of chance, and nights that hang together.

Z90 = 1.6448536269514722
"""Two-sided normal quantile for 90 %."""
STRENGTH_NIGHTS = 20.0
"""How many nights the rate of all weighs against a site's own. 16 Australian stations differ as if by 21
(counts of the Bureau of Meteorology's 9 h cloud amounts, 2007-2017)."""
NIGHT_CORRELATION = 0.22
"""Of "clear" from one night to the next: 36 stations of the same data, -0.04 to 0.50."""
Count = TypeVar("Count", float, Floats)
_FARTHEST_NIGHTS = 8
"""Nights further apart are taken as independent: 0.22 to the eighth is 5 in a million."""


def wilson_range(clear: float, cases: float, z: float = Z90) -> tuple[float, float]:
    """The range (0..1) in which the true share plausibly lies, Wilson's score interval without
    continuity correction (E. B. Wilson 1927, J. Am. Stat. Assoc. 22, 209).

    clear, cases: counts, which needn't be whole. BadInput unless 0 <= clear <= cases and cases > 0.
    """
    if not 0 <= clear <= cases or cases <= 0:
        raise BadInput(phrase("track.no-share", clear=clear, cases=cases))
    share = clear / cases
    middle = (share + z * z / (2 * cases)) / (1 + z * z / cases)
    half = z / (1 + z * z / cases) * sqrt(share * (1 - share) / cases + z * z / (4 * cases * cases))
    return max(0.0, middle - half), min(1.0, middle + half)


def shrunk_share(clear: Count, cases: Count, rate_of_all: Count, strength: float = STRENGTH_NIGHTS) -> Count:
    """A site's share drawn toward the rate of all: (K p + k) / (K + n)."""
    return (strength * rate_of_all + clear) / (strength + cases)


def consistency_limits(cases: int, chance: float) -> tuple[float, float]:
    """Between which shares a reliable forecast's cases lie nine times in ten: the 5 % and 95 % quantiles
    of a binomial share (J. Broecker and L. A. Smith 2007, Wea. Forecasting 22, 651).

    cases: at least 1. chance: 0..1.
    """
    if not 0 < chance < 1:
        return chance, chance
    counts = np.arange(cases + 1)
    log_factorial = np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, cases + 1)))])
    log_ways = log_factorial[-1] - log_factorial - log_factorial[::-1]
    reached = np.cumsum(np.exp(log_ways + counts * np.log(chance) + (cases - counts) * np.log1p(-chance)))
    low, high = (int(np.searchsorted(reached, level - 1e-12)) for level in (0.05, 0.95))
    return low / cases, min(high, cases) / cases


def effective_nights(
    site: npt.ArrayLike, night: npt.ArrayLike, correlation: float = NIGHT_CORRELATION
) -> float:
    """How many independent nights these are worth: n² / sum over pairs of r^(nights between them).

    site: shape (n,) of whole numbers; night: shape (n,) of day numbers. Over a long unbroken run this is
    n (1 - r) / (1 + r) = 0.64 n; a night that occurs twice counts once. Sites are taken as independent,
    which flatters where they lie in one weather.
    """
    sites, nights = np.asarray(site, dtype=np.int64), np.asarray(night, dtype=np.int64)
    if not sites.size:
        return 0.0
    # one number for each site and night, sites further apart than any correlation reaches
    _, which = np.unique(sites, return_inverse=True)
    nights = nights - nights.min()
    spaced = which * (int(nights.max()) + 1 + _FARTHEST_NIGHTS) + nights
    distinct, copies = np.unique(spaced, return_counts=True)
    often = copies.astype(np.float64)
    shared = float(often @ often)
    for apart in range(1, _FARTHEST_NIGHTS + 1):
        at = np.minimum(np.searchsorted(distinct, distinct + apart), len(distinct) - 1)
        often_then = np.where(distinct[at] == distinct + apart, often[at], 0.0)
        shared += 2 * correlation**apart * float(often @ often_then)
    return len(sites) ** 2 / shared
