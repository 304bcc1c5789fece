"""Cloud of hours as columns: what lies above a place, what is thin of it, and how it covers a view."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alerts.common.plain_values import value
from alerts.weather.skill import THIN_CLOUD_WEIGHT, Floats, slanted_pct


def in_view(opaque_pct: ArrayLike, thin_pct: ArrayLike, altitude_deg: float) -> Floats:
    """How much of a view at that altitude opaque and thin cloud cover, all in %."""
    opaque, thin = np.asarray(opaque_pct, dtype=np.float64), np.asarray(thin_pct, dtype=np.float64)
    hidden = slanted_pct(np.clip(opaque, 0.0, 100.0), altitude_deg)
    gaps = np.maximum(100.0 - opaque, 1e-9)
    view: Floats = hidden + THIN_CLOUD_WEIGHT * thin * (100.0 - hidden) / gaps
    return view


@value(frozen=True, slots=True)
class Cover:
    """Cloud of some hours in %, each of shape (hours,), NaN where unknown: opaque and thin side by side.

    total: as the model told it. opaque, thin: what of it lies above the site. has_layers: whether these are
    known; else all of the total is taken for opaque.
    """

    total: Floats
    opaque: Floats
    thin: Floats
    has_layers: NDArray[np.bool_]

    @property
    def plan_pct(self) -> Floats:
        """Effective cloud: on the ground plan, less what thin cloud forgives."""
        plan: Floats = self.opaque + THIN_CLOUD_WEIGHT * self.thin
        return plan

    def within(self, some: slice) -> Cover:
        """Of some of the hours."""
        return Cover(self.total[some], self.opaque[some], self.thin[some], self.has_layers[some])

    def view_pct(self, altitude_deg: float) -> Floats:
        """In a view at that altitude: broken opaque cloud covers more of it, thin cloud shows through the
        gaps.

        A total without layers counts as it stands: nobody knows how much of it is broken and how much thin,
        and the two err opposite ways.
        """
        return np.where(self.has_layers, in_view(self.opaque, self.thin, altitude_deg), self.opaque)


class CloudColumns(NamedTuple):
    """A forecast's cloud in each of its hours, in %, NaN where unknown; its windows have parts of it.

    above: what lies above its place. told_pct, before_pct: effective cloud as it is told, by this run and by
    the one before, None where there was none; shape (hours,). members_pct: shape (members, hours).
    is_low_below: see `low_lies_below`.
    """

    above: Cover
    told_pct: Floats
    before_pct: Floats | None
    members_pct: Floats
    is_low_below: bool
