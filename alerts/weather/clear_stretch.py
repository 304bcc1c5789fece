"""The event over arrays: for each member, the worst cloud of its clearest stretch of the length asked for."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import ArrayLike

from alerts.common.plain_values import value
from alerts.weather.skill import Floats
from alerts.weather.stretches import Parts, Stretch

ALL_CLOUD_PCT = 100.0


def worst_cloud_pct(cloud_pct: ArrayLike, first: ArrayLike, after: ArrayLike) -> Floats:
    """The worst cloud of each stretch: shape (..., members, stretches).

    cloud_pct: shape (..., members, hours), nothing unknown. first, after: shape (stretches,), the hours that
    a stretch touches, the last exclusive; ascending starts.
    """
    clouds = np.asarray(cloud_pct, dtype=np.float64)
    edges = np.stack([np.asarray(first), np.asarray(after)], axis=-1).ravel()
    if edges.max() >= clouds.shape[-1]:  # an edge may stand just behind the last hour
        clouds = np.concatenate([clouds, np.zeros((*clouds.shape[:-1], 1))], axis=-1)
    worst: Floats = np.maximum.reduceat(clouds, edges, axis=-1)[..., ::2]
    return worst


@value(frozen=True, slots=True)
class Clouds:
    """A source's cloud in the parts of a span, and what its stretches of one length come to.

    cloud_pct: shape (members, parts); worst_pct: shape (members, stretches); least_pct: shape (members,), 100
    where no stretch is that long.
    """

    parts: Parts
    length: timedelta
    cloud_pct: Floats
    stretches: tuple[Stretch, ...]
    worst_pct: Floats
    least_pct: Floats

    @classmethod
    def of(cls, parts: Parts, cloud_pct: ArrayLike | Sequence[Sequence[float]], length: timedelta) -> Clouds:
        clouds = np.asarray(cloud_pct, dtype=np.float64)
        stretches = parts.stretches(length)
        if not stretches:
            least = np.full(len(clouds), ALL_CLOUD_PCT)
            return cls(parts, length, clouds, (), np.empty((len(clouds), 0)), least)
        worst = worst_cloud_pct(
            clouds, [stretch.first for stretch in stretches], [stretch.after for stretch in stretches]
        )
        return cls(parts, length, clouds, stretches, worst, worst.min(axis=-1))

    @property
    def clearest_stretch(self) -> Stretch | None:
        """The one with the least worst cloud over the members, the earliest of equals."""
        if not self.stretches:
            return None
        worst = self.worst_pct[0] if len(self.worst_pct) == 1 else self.worst_pct.mean(axis=0)
        return self.stretches[int(worst.argmin())]

    def worst_from(self, starts: Sequence[datetime]) -> Floats:
        """The worst cloud of the stretches that begin at these moments, 100 where one has a gap: (members,
        starts)."""
        known = {stretch.start: at for at, stretch in enumerate(self.stretches)}
        if len(known) == len(starts) and all(start in known for start in starts):
            return self.worst_pct
        columns = [
            self.worst_pct[:, known[start]] if start in known else self._worst_at(start) for start in starts
        ]
        return np.stack(columns, axis=-1)

    def _worst_at(self, start: datetime) -> Floats:
        stretch = self.parts.stretch_at(start, self.length)
        if stretch is None:
            return np.full(len(self.cloud_pct), ALL_CLOUD_PCT)
        worst: Floats = self.cloud_pct[:, stretch.first : stretch.after].max(axis=-1)
        return worst
