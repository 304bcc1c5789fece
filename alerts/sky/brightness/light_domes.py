"""Light over towns: how bright, in which direction, under whose name, and how it spreads over the sky.

An estimate that knows people, not lamps. Places of one size differ in their light by a factor of two or more
either way, so no verdict rests on it alone, and a reading at the site overrules it.

A town's light grows faster than its people: a head has four times as much in a town of 100,000 as in a
village of 3,000. Countries differ (Kyba et al. 2015, Remote Sens. 7, 1: American cities emit several times
the light a head of German ones). Of that only the German-speaking countries are told apart, whose towns are
given a quarter, and those of Europe's south, where a head makes most light of all of Europe (Falchi et al.
2019, J. Environ. Manage. 248, 109227, as summed up by the National University of Singapore's pages on light
pollution: Portugal, Spain, Italy and Greece): more than twice as much.

How the light reaches the sky is Garstang's picture (1986, PASP 98, 364; 1989, PASP 101, 306): it leaves the
town by his emission function, is scattered once, by air and by haze that thin out upward, on a round Earth,
and is seen from the site's height: over a mountain little haze is left to scatter. Five constants are
chosen near the best fit to zenith readings published for places of seven kinds
(tests/data/glow/zenith-brightness.csv), within a factor of two of Walker's law (1977, PASP 89, 405) for
cities at 50 and 100 km: the light of a town of 100,000, its growth with the town, how far a town spreads,
and what the towns of sparing and of lavish countries make beside others.

What the shape doesn't know moves it. Between optical depths of 0.05 and 0.25, with a third of the light
sent up, or with sharper forward scattering it stays, 10 to 100 km from the town, within a factor of 1.7 over
the town down to 10 degrees, of 2.2 at 5 degrees, and of 2.6 in every direction above 20; low on the far side,
where little is left, it can be far off. Light scattered twice, terrain and lamps put out late are left out;
a town's own height is guessed from the site's.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from alerts.common.phrases import Phrase, phrase, say
from alerts.sites.great_circle import turn_deg
from alerts.sky.brightness.laws import (
    AEROSOL_SCALE_M,
    DEFAULT_AOD,
    GAS_MAG,
    GAS_SCALE_M,
    MAG_PER_DEPTH,
    NATURAL_ZENITH_MAG,
    growth,
    nl_from_mag,
)
from alerts.sky.brightness.towns import USUAL, Towns, packaged_towns

Floats = npt.NDArray[np.float64]

REACH_KM = 200.0
BUILT_UP_PER_KM2 = 3000.0
USUAL_PEOPLE = 100_000.0
LIGHT_NL = 180.0
"""A head's light in a town of USUAL_PEOPLE, as the nanolamberts that `_glow` makes of one. Fitted."""
GROWTH_EXPONENT = 0.4
"""A head's light grows as the town's people to this power. Fitted: 0.35 to 0.49 by which
places are left out."""
LIGHT_SHARES: Floats = np.array([1.0, 0.25, 2.4])
"""Light a head of USUAL, SPARING and LAVISH towns. The latter two fitted; the last one's best fit is 2.0."""
SPREAD_KM = 2.6
"""How far from its centre the light of a town of USUAL_PEOPLE stands, in the mean. Fitted."""
SPREAD_EXPONENT = 0.425
"""It grows as the root of the built-up area, and that as people^0.85 (from memory)."""
SAME_DOME_DEG = 15.0
"""At 10 degrees of altitude a dome falls to half this far to each side: towns nearer in bearing to a
brighter one melt into its dome, and a target within it stands over the dome."""
FAINTEST_EXCESS = 0.01
"""One per cent at 45 degrees is about 0.1 mag at 10 degrees above the town: below that no dome is named."""
OVER_BELOW_DEG = 45.0

DISTANCES_KM: Floats = np.array([0.4, 1.0, 2.0, 5.0, 10.0, 20.0, 35.0, 60.0, 100.0, 140.0, 200.0])
HEIGHTS_M: Floats = np.array([0.0, 500.0, 1000.0, 1500.0, 2000.0, 2500.0, 3000.0, 4000.0, 5000.0, 9000.0])
"""Domes are worked out as seen from these, and between them linearly."""
FALL_M_PER_KM = 100.0
MOST_BELOW = 0.5
"""A town lies below the site by FALL_M_PER_KM, but at most by this share of the site's height: the extract
has no heights. Ours."""
ALTITUDES_DEG: Floats = np.array([2.0, 3.5, 5.0, 6.5, 8, 10, 12.5, 15, 20, 25, 30, 37, 45, 52, 60, 75, 90])
"""Below 2 degrees the glow of 2 degrees is taken: there lamps, hills and haze decide."""
AZIMUTH_STEP_DEG = 5.0
TURN_DEG: Floats = np.arange(0, 360, AZIMUTH_STEP_DEG)

_REFERENCE_DEG = 45.0
_EARTH_KM = 6371.0
_WIDE_SHARE, _WIDEST_KM = 0.1, 1.5
"""A line of sight low over a town passes its lamps at no less than this share of its distance, or so far:
they stand apart from one another. Ours."""
_SIGHT_KM: Floats = np.geomspace(0.03, 400, 80)
_GROUND_REFLECTED, _SENT_UP = 0.15, 0.15
"""Garstang's G and F: the share of light reflected by the ground, and sent above the horizontal."""
_FORWARD = 0.65
"""Asymmetry of scattering by haze (Henyey & Greenstein 1941, ApJ 93, 70)."""


@dataclass(frozen=True, slots=True)
class Dome:
    """A town's glow, with the smaller towns in its direction.

    name, distance_km, population: of the town that gives most. excess: brightness of the whole dome over
    the natural sky's, 45 degrees up in its direction (0.1 is ten per cent). inside: the site lies in
    its built-up area.
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


def light_of(population: npt.ArrayLike, lamps: npt.ArrayLike = USUAL) -> Floats:
    """A town's light, in heads of a town of USUAL_PEOPLE. More people never give less."""
    people = np.asarray(population, dtype=np.float64)
    share = LIGHT_SHARES[np.asarray(lamps, dtype=np.intp)]
    return np.asarray(people * (people / USUAL_PEOPLE) ** GROWTH_EXPONENT * share)


def spread_km(population: npt.ArrayLike) -> Floats:
    """How far from a town's centre its light stands, in the mean."""
    people = np.asarray(population, dtype=np.float64)
    return np.asarray(SPREAD_KM * (people / USUAL_PEOPLE) ** SPREAD_EXPONENT)


def seen_from_km(population: npt.ArrayLike, distance_km: npt.ArrayLike) -> Floats:
    """From how far a town's light comes, in the mean, at a distance from its centre."""
    return np.asarray(np.hypot(np.asarray(distance_km, dtype=np.float64), spread_km(population)))


def town_excess(
    population: npt.ArrayLike,
    distance_km: npt.ArrayLike,
    elevation_m: float = 0.0,
    lamps: npt.ArrayLike = USUAL,
) -> Floats:
    """Glow of a town over the natural sky's brightness, 45 degrees up toward it; shapes broadcast.

    Seen from elevation_m above the sea. More people or a smaller distance never make it less.
    """
    away = np.log(seen_from_km(population, distance_km))
    a_head = np.exp(np.interp(away, np.log(DISTANCES_KM), np.log(_at_heights(_reference, elevation_m))))
    return np.asarray(LIGHT_NL * light_of(population, lamps) * a_head / _reference_nl())


def _reference_nl() -> float:
    """The natural sky 45 degrees up."""
    return float(nl_from_mag(NATURAL_ZENITH_MAG) * growth(_REFERENCE_DEG))


def built_up_radius_km(population: npt.ArrayLike) -> Floats:
    """Radius of the circle that a town's people fill."""
    return np.sqrt(np.asarray(population, dtype=np.float64) / (math.pi * BUILT_UP_PER_KM2))


def domes(
    lat_deg: float, lon_deg: float, elevation_m: float = 0.0, *, most: int = 3, towns: Towns | None = None
) -> tuple[Dome, ...]:
    """The brightest domes seen from a place, brightest first; none where no town within 200 km shows.

    towns: the packaged extract by default.
    """
    known = packaged_towns() if towns is None else towns
    row, distance_km, bearing_deg = known.near(lat_deg, lon_deg, REACH_KM)
    people = known.population[row]
    excess = town_excess(people, distance_km, elevation_m, known.lamps[row])
    inside = distance_km < built_up_radius_km(people)
    found: list[Dome] = []
    free = np.ones(len(row), dtype=bool)
    while free.any():
        lead = int(np.argmax(np.where(free, excess, -1.0)))
        beside = np.abs(turn_deg(bearing_deg, bearing_deg[lead])) <= SAME_DOME_DEG
        own = free & (beside | (inside & inside[lead]))
        free &= ~own
        found.append(
            Dome(
                bearing_deg=float(bearing_deg[lead]),
                distance_km=float(distance_km[lead]),
                name=known.names[int(row[lead])],
                # the extract knows populations to two per cent: no more figures than that
                population=int(float(f"{people[lead]:.2g}")),
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

    map_nl: nL at ALTITUDES_DEG and at azimuths every 5 degrees, shape (altitudes, azimuths).
    """

    map_nl: Floats

    @classmethod
    def around(
        cls, lat_deg: float, lon_deg: float, elevation_m: float = 0.0, towns: Towns | None = None
    ) -> TownGlow:
        """The estimate from towns within 200 km of a place; the packaged extract by default."""
        known = packaged_towns() if towns is None else towns
        row, distance_km, bearing_deg = known.near(lat_deg, lon_deg, REACH_KM)
        if not len(row):
            return cls(np.zeros((len(ALTITUDES_DEG), len(TURN_DEG))))
        # the excess by distance and bearing, shared by the nearest bins; what stands round the site has none
        people = known.population[row]
        excess = town_excess(people, distance_km, elevation_m, known.lamps[row])
        seen_km = seen_from_km(people, distance_km)
        aimed = (distance_km / seen_km) ** 2
        nodes = np.log(DISTANCES_KM)
        away = np.interp(np.log(seen_km), nodes, np.arange(len(nodes)))
        turn = bearing_deg / AZIMUTH_STEP_DEG
        low, left = np.minimum(away.astype(np.intp), len(nodes) - 2), turn.astype(np.intp)
        farther, aside = away - low, turn - left
        binned = np.zeros((len(nodes), len(TURN_DEG)))
        for node, share in ((low, 1 - farther), (low + 1, farther)):
            for column, in_column in ((left, 1 - aside), (left + 1, aside)):
                np.add.at(binned, (node, column % len(TURN_DEG)), excess * share * aimed * in_column)
            round_it = np.bincount(node, excess * share * (1 - aimed), minlength=len(nodes))
            binned += round_it[:, None] / len(TURN_DEG)
        # every bin's dome laid on its bearing and summed, as parts of the natural sky at 45 degrees
        steps = np.arange(len(TURN_DEG))
        toward = binned[:, (steps[:, None] - steps) % len(TURN_DEG)]
        return cls(_reference_nl() * np.einsum("dat,dzt->az", dome_shape(elevation_m), toward))

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


def dome_shape(elevation_m: float = 0.0) -> Floats:
    """Brightness relative to that 45 degrees above the town: shape (distances, altitudes, turns).

    The turn is the azimuth counted from the town's.
    """
    return _at_heights(_shape, elevation_m)


def _at_heights(made: Callable[[float], Floats], elevation_m: float) -> Floats:
    """What is made for the HEIGHTS_M on either side of a height, in between."""
    at = float(np.interp(elevation_m, HEIGHTS_M, np.arange(len(HEIGHTS_M))))
    low = int(at)
    if at == low:
        return made(float(HEIGHTS_M[low]))
    return made(float(HEIGHTS_M[low])) * (low + 1 - at) + made(float(HEIGHTS_M[low + 1])) * (at - low)


@lru_cache(maxsize=len(HEIGHTS_M))
def _reference(elevation_m: float) -> Floats:
    """What `_glow` gives 45 degrees up toward towns at DISTANCES_KM."""
    up, ahead = np.array([[_REFERENCE_DEG]]), np.zeros(1)
    return np.array([_glow(km, up, ahead, elevation_m)[0, 0] for km in DISTANCES_KM])


@lru_cache(maxsize=len(HEIGHTS_M))
def _shape(elevation_m: float) -> Floats:
    """As `dome_shape`, at one of HEIGHTS_M: made when first asked for, in about 30 ms."""
    half = len(TURN_DEG) // 2 + 1
    one_side = np.stack(
        [_glow(km, ALTITUDES_DEG[:, None], TURN_DEG[:half], elevation_m) for km in DISTANCES_KM]
    )
    whole = np.concatenate([one_side, one_side[:, :, -2:0:-1]], axis=2)
    at_reference = whole[:, ALTITUDES_DEG == _REFERENCE_DEG, :1]
    return np.asarray(whole / at_reference)


def _glow(
    distance_km: float,
    altitude_deg: Floats,
    turn_deg: Floats,
    elevation_m: float = 0.0,
    aod: float = DEFAULT_AOD,
) -> Floats:
    """Light scattered once toward an observer at a height above the sea, per unit emitted, for angles that
    broadcast to two axes. The haze lies on the town's ground. Distances in km, radii from Earth's
    centre."""
    site_km = elevation_m / 1000
    town_km = site_km - min(MOST_BELOW * max(site_km, 0.0), FALL_M_PER_KM * distance_km / 1000)
    site_r, town_r, arc = _EARTH_KM + site_km, _EARTH_KM + town_km, distance_km / _EARTH_KM
    up, turn = np.radians(altitude_deg)[..., None], np.radians(turn_deg)[..., None]
    sight_km, rise = _SIGHT_KM, np.sin(up)
    # toward: cosine between the line of sight and the vertical of the town
    toward = np.cos(up) * np.cos(turn) * math.sin(arc) + rise * math.cos(arc)
    point_r = np.sqrt(site_r**2 + 2 * site_r * sight_km * rise + sight_km**2)
    over_town = sight_km * toward + site_r * math.cos(arc)
    way_km = np.sqrt(np.maximum(point_r**2 + town_r**2 - 2 * town_r * over_town, 1e-6))
    apart_km2 = way_km**2 + min(_WIDE_SHARE * distance_km, _WIDEST_KM) ** 2
    # Garstang's emission function, per steradian; nothing goes below the town's horizon
    cos_zenith = np.clip((over_town - town_r) / way_km, -1, 1)
    reflected = 2 * _GROUND_REFLECTED * (1 - _SENT_UP) * np.maximum(cos_zenith, 0)
    direct = 0.554 * _SENT_UP * np.arccos(cos_zenith) ** 4
    emitted = np.where(cos_zenith > 0, (reflected + direct) / (2 * math.pi), 0.0)
    # optical depth and scale height in km: the mean depth per km of a straight way between two heights
    height_km = point_r - _EARTH_KM
    air, air_km, haze, haze_km = GAS_MAG / MAG_PER_DEPTH, GAS_SCALE_M / 1000, aod, AEROSOL_SCALE_M / 1000
    thin_air, thin_haze = np.exp(-height_km / air_km), np.exp(-(height_km - town_km) / haze_km)
    lost = np.zeros(())
    for from_km, length_km in ((town_km, way_km), (site_km, sight_km)):
        higher_km = height_km - from_km
        higher_km = np.where(np.abs(higher_km) < 1e-3, 1e-3, higher_km)
        of_air = air * (math.exp(-from_km / air_km) - thin_air)
        of_haze = haze * (math.exp(-(from_km - town_km) / haze_km) - thin_haze)
        lost = lost + np.maximum((of_air + of_haze) / higher_km, 0) * length_km
    # the share scattered per km and steradian: Rayleigh's phase function for air, a forward one for haze
    cos_scatter = np.clip(-(sight_km + site_r * rise - town_r * toward) / way_km, -1, 1)
    g = _FORWARD
    by_air = 3 / (16 * math.pi) * (1 + cos_scatter**2)
    by_haze = (1 - g * g) / (4 * math.pi * (1 + g * g - 2 * g * cos_scatter) ** 1.5)
    scattered = air / air_km * thin_air * by_air + haze / haze_km * thin_haze * by_haze
    steps_km = np.gradient(np.log(sight_km)) * sight_km
    return np.asarray((emitted / apart_km2 * np.exp(-lost) * scattered * steps_km).sum(axis=-1))
