"""Isotonic regression by pooling adjacent violators (Ayer et al. 1955, Ann. Math. Stat. 26, 641)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def pool_adjacent_violators(values: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> Floats:
    """The rising sequence nearest to `values` in (weighted) squared error, of the same length.

    values: shape (n,), in the order of what they should rise with. weights: shape (n,), above 0.
    """
    means, counts = _blocks(np.asarray(values, dtype=np.float64), _or_ones(values, weights))
    return np.repeat(means, counts)


def _or_ones(values: npt.ArrayLike, weights: npt.ArrayLike | None) -> Floats:
    return np.ones(len(np.asarray(values))) if weights is None else np.asarray(weights, dtype=np.float64)


def _blocks(values: Floats, weights: Floats) -> tuple[Floats, npt.NDArray[np.int64]]:
    """The level of each block and how many values it holds."""
    means: list[float] = []
    masses: list[float] = []
    counts: list[int] = []
    for value, weight in zip(values.tolist(), weights.tolist(), strict=True):
        mean, mass, count = value, weight, 1
        while means and means[-1] >= mean:
            mass_before = masses.pop()
            mean = (means.pop() * mass_before + mean * mass) / (mass_before + mass)
            mass, count = mass + mass_before, count + counts.pop()
        means.append(mean)
        masses.append(mass)
        counts.append(count)
    return np.array(means), np.array(counts, dtype=np.int64)


def group_by_value(values: Floats, clear: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
    """The distinct values ascending, how many cases each has, and the share of them that came clear."""
    distinct, which = np.unique(values, return_inverse=True)
    cases = np.bincount(which, minlength=len(distinct)).astype(np.float64)
    came = np.bincount(which, weights=np.asarray(clear, dtype=np.float64), minlength=len(distinct))
    return distinct, cases, came / cases
