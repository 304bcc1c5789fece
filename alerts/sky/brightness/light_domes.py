"""Light over towns: how bright, in which direction, under whose name.

An estimate that knows people, not lamps. Walker's law was fitted to Californian cities between about
10 and 100 km; places of the same size differ by a factor of two or more either way, and elsewhere than
45 degrees above a town the spread of its dome's shape comes on top (see `dome_shape`), so no verdict
rests on it alone, and a reading at the site overrules it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.common.phrases import Phrase, phrase, say
from alerts.sites.great_circle import turn_deg
from alerts.sky.brightness.brightness_units import nl_from_mag
from alerts.sky.brightness.dome_shape import (
    ALTITUDES_DEG,
    AZIMUTH_STEP_DEG,
    DISTANCES_KM,
    TURN_DEG,
    dome_shape,
)
from alerts.sky.brightness.natural import NATURAL_ZENITH_MAG, growth
from alerts.sky.brightness.towns import Towns, packaged_towns

Floats = npt.NDArray[np.float64]

REACH_KM = 200.0
WALKER_FACTOR, WALKER_EXPONENT = 0.01, -2.5
BUILT_UP_PER_KM2 = 3000.0
WALKER_FROM_KM = 10.0
NEAR_EXPONENT = -1.75
"""Nearer than Walker's range: what the scattering of `alerts.sky.brightness.dome_shape` gives from 2 to 10
km."""
SAME_DOME_DEG = 15.0
"""At 10 degrees of altitude a dome falls to half this far to each side: towns nearer in bearing to a
brighter one melt into its dome, and a target within it stands over the dome."""
FAINTEST_EXCESS = 0.01
"""One per cent at 45 degrees is about 0.1 mag at 10 degrees above the town: below that no dome is named."""
OVER_BELOW_DEG = 45.0


@dataclass(frozen=True, slots=True)
class Dome:
    """A town's glow, with the smaller towns in its direction.

    name, distance_km, population: of the town that gives most. excess: brightness of the whole dome over
    the natural sky's, 45 degrees up in its direction (0.1 is ten per cent). inside: the site lies in
    its built-up area, where the law is only a guess.
    """

    bearing_deg: float
    distance_km: float
    name: str
    population: int
    excess: float
    inside: bool = False

    @property
    def text(self) -> str:
        """As people read it: `a dome at 212°, 41 km (Name)`."""
        return say(self.phrase)

    @property
    def phrase(self) -> Phrase:
        if self.inside:
            return phrase("sky.dome-inside", name=self.name)
        return phrase(
            "sky.dome",
            bearing_deg=round(self.bearing_deg) % 360,
            distance_km=self.distance_km,
            name=self.name,
        )


def walker_excess(population: npt.ArrayLike, distance_km: npt.ArrayLike) -> Floats:
    """Glow of a town over the natural sky's brightness, 45 degrees up toward it: 0.01 P d^-2.5.

    Walker 1977, PASP 89, 405. Nearer than 10 km, outside his range, it grows more slowly, and inside the
    built-up area (3,000 people a square kilometre) no further. Of a city that reaches past the site and
    past 10 km only the people nearer to its centre than the site count. More people or a smaller
    distance never make it less.
    """
    away = np.asarray(distance_km, dtype=np.float64)
    reached = np.maximum(away, WALKER_FROM_KM)
    people = np.minimum(np.asarray(population, dtype=np.float64), math.pi * BUILT_UP_PER_KM2 * reached**2)
    nearer = np.minimum(np.maximum(away, built_up_radius_km(people)) / WALKER_FROM_KM, 1.0)
    return np.asarray(WALKER_FACTOR * people * reached**WALKER_EXPONENT * nearer**NEAR_EXPONENT)


def built_up_radius_km(population: npt.ArrayLike) -> Floats:
    """Radius of the circle that a town's people fill."""
    return np.sqrt(np.asarray(population, dtype=np.float64) / (math.pi * BUILT_UP_PER_KM2))


def domes(lat_deg: float, lon_deg: float, most: int = 3, towns: Towns | None = None) -> tuple[Dome, ...]:
    """The brightest domes seen from a place, brightest first; none where no town within 200 km shows.

    towns: the packaged extract by default.
    """
    known = packaged_towns() if towns is None else towns
    near = known.near(lat_deg, lon_deg, REACH_KM)
    excess = walker_excess(near.population, near.distance_km)
    inside = near.distance_km < built_up_radius_km(near.population)
    found: list[Dome] = []
    free = np.ones(len(near), dtype=bool)
    while free.any():
        lead = int(np.argmax(np.where(free, excess, -1.0)))
        beside = np.abs(turn_deg(near.bearing_deg, near.bearing_deg[lead])) <= SAME_DOME_DEG
        own = free & (beside | (inside & inside[lead]))
        free &= ~own
        found.append(
            Dome(
                bearing_deg=float(near.bearing_deg[lead]),
                distance_km=float(near.distance_km[lead]),
                name=known.name(int(near.row[lead])),
                # the extract knows populations to two per cent: no more figures than that
                population=int(float(f"{near.population[lead]:.2g}")),
                excess=float(excess[own].sum()),
                inside=bool(inside[lead]),
            )
        )
    found = [dome for dome in found if dome.excess >= FAINTEST_EXCESS]
    return tuple(sorted(found, key=lambda dome: -dome.excess)[:most])


def is_over(dome: Dome, altitude_deg: npt.ArrayLike, azimuth_deg: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    """Whether directions stand over a dome: within its half width of its bearing, below 45 degrees."""
    aside = np.abs(turn_deg(np.asarray(azimuth_deg, dtype=np.float64), dome.bearing_deg))
    return np.asarray((aside <= SAME_DOME_DEG) & (np.asarray(altitude_deg) < OVER_BELOW_DEG))


@dataclass(frozen=True)
class TownGlow:
    """The light of all towns around a place over its whole sky.

    map_nl: nL at dome_shape.ALTITUDES_DEG and at azimuths every 5 degrees, shape (altitudes, azimuths).
    """

    map_nl: Floats

    @classmethod
    def around(cls, lat_deg: float, lon_deg: float, towns: Towns | None = None) -> TownGlow:
        """The estimate from towns within 200 km of a place; the packaged extract by default."""
        known = packaged_towns() if towns is None else towns
        near = known.near(lat_deg, lon_deg, REACH_KM)
        if not len(near):
            return cls(np.zeros((len(ALTITUDES_DEG), len(TURN_DEG))))
        # the excess by distance and bearing, shared by the nearest bins
        excess = walker_excess(near.population, near.distance_km)
        nodes = np.log(DISTANCES_KM)
        away = np.interp(np.log(np.maximum(near.distance_km, DISTANCES_KM[0])), nodes, np.arange(len(nodes)))
        turn = near.bearing_deg / AZIMUTH_STEP_DEG
        low, left = np.minimum(away.astype(np.intp), len(nodes) - 2), turn.astype(np.intp)
        farther, aside = away - low, turn - left
        binned = np.zeros((len(nodes), len(TURN_DEG)))
        for row, in_row in ((low, 1 - farther), (low + 1, farther)):
            for column, in_column in ((left, 1 - aside), (left + 1, aside)):
                np.add.at(binned, (row, column % len(TURN_DEG)), excess * in_row * in_column)
        # every bin's dome laid on its bearing and summed, as parts of the natural sky at 45 degrees
        steps = np.arange(len(TURN_DEG))
        toward = binned[:, (steps[:, None] - steps) % len(TURN_DEG)]
        reference_nl = float(nl_from_mag(NATURAL_ZENITH_MAG) * growth(45.0))
        return cls(reference_nl * np.einsum("dat,dzt->az", dome_shape(), toward))

    @property
    def zenith_nl(self) -> float:
        return float(self.map_nl[-1].mean())

    def nl(self, altitude_deg: npt.ArrayLike, azimuth_deg: npt.ArrayLike) -> Floats:
        """nL at airless altitudes and azimuths that broadcast; below 5 degrees that of 5."""
        altitude = np.asarray(altitude_deg, dtype=np.float64)
        up = np.interp(altitude, ALTITUDES_DEG, np.arange(len(ALTITUDES_DEG)))
        turn = np.asarray(azimuth_deg, dtype=np.float64) % 360 / AZIMUTH_STEP_DEG
        low = np.minimum(up.astype(np.intp), len(ALTITUDES_DEG) - 2)
        left = turn.astype(np.intp) % len(TURN_DEG)
        right = (left + 1) % len(TURN_DEG)
        rise, aside = up - low, turn - np.floor(turn)
        lower = self.map_nl[low, left] * (1 - aside) + self.map_nl[low, right] * aside
        upper = self.map_nl[low + 1, left] * (1 - aside) + self.map_nl[low + 1, right] * aside
        return np.asarray(lower * (1 - rise) + upper * rise)
