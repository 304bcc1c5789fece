"""Scores of stated chances against what came.

Brier score: G. W. Brier 1950, Mon. Wea. Rev. 78, 1. Parts: A. H. Murphy 1973, J. Appl. Meteor. 12, 595,
and, with isotonic regression in place of bins, T. Dimitriadis, T. Gneiting and A. I. Jordan 2021,
PNAS 118, e2016191118.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.track.calibration.regression import Floats, group_by_value, pool_adjacent_violators


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
