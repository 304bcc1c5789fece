"""How a town's glow is spread over the sky: the shape of a dome, relative to 45 degrees above the town.

Walker's law says how bright a town's glow is 45 degrees up in its direction. The rest of the dome
comes from Garstang's picture (1986, PASP 98, 364; 1989, PASP 101, 306): light leaves the town by his
emission function, is scattered once, by air and by haze that thin out upward, on a round Earth. Of
that model only the shape is used; its brightness at 45 degrees falls as distance^-2.4 from 10 to
20 km and as distance^-2.9 on to 35 km, where Walker has -2.5.

What the shape doesn't know moves it. Between optical depths of 0.05 and 0.25, with a third of the
light sent up, or with sharper forward scattering it stays, 10 to 100 km from the town, within a factor
of 1.7 over the town down to 10 degrees, of 2 at 5 degrees, and of 2.6 in every direction above 20;
low on the far side, where little is left, it can be far off. Light scattered twice, terrain and the
height of the site are left out.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from alerts.sky.brightness.extinction import AEROSOL_SCALE_M, DEFAULT_AOD, GAS_MAG, GAS_SCALE_M, MAG_PER_DEPTH

Floats = npt.NDArray[np.float64]

DISTANCES_KM: Floats = np.array([1.0, 2.0, 5.0, 10.0, 20.0, 35.0, 60.0, 100.0, 140.0, 200.0])
ALTITUDES_DEG: Floats = np.array([5.0, 6.5, 8, 10, 12.5, 15, 20, 25, 30, 37, 45, 52, 60, 75, 90])
"""Below 5 degrees the glow of 5 degrees is taken: there lamps, hills and haze decide."""
AZIMUTH_STEP_DEG = 5.0
TURN_DEG: Floats = np.arange(0, 360, AZIMUTH_STEP_DEG)

_REFERENCE_DEG = 45.0
_EARTH_KM = 6371.0
_TOWN_RADIUS_KM = 1.0
_SIGHT_KM: Floats = np.geomspace(0.05, 400, 90)
_GROUND_REFLECTED, _SENT_UP = 0.15, 0.15
"""Garstang's G and F: the share of light reflected by the ground, and sent above the horizontal."""
_FORWARD = 0.65
"""Asymmetry of scattering by haze (Henyey & Greenstein 1941, ApJ 93, 70)."""


@lru_cache(maxsize=1)
def dome_shape() -> Floats:
    """Brightness relative to that 45 degrees above the town: shape (distances, altitudes, turns).

    The turn is the azimuth counted from the town's. Made when first asked for, in about 30 ms.
    """
    half = len(TURN_DEG) // 2 + 1
    one_side = np.stack([_glow(km, ALTITUDES_DEG[:, None], TURN_DEG[:half]) for km in DISTANCES_KM])
    whole = np.concatenate([one_side, one_side[:, :, -2:0:-1]], axis=2)
    at_reference = whole[:, ALTITUDES_DEG == _REFERENCE_DEG, :1]
    return np.asarray(whole / at_reference)


def _glow(distance_km: float, altitude_deg: Floats, turn_deg: Floats, aod: float = DEFAULT_AOD) -> Floats:
    """Light scattered once toward the observer, per unit emitted, for angles that broadcast to two axes."""
    up, turn = np.radians(altitude_deg)[..., None], np.radians(turn_deg)[..., None]
    sight = np.stack(np.broadcast_arrays(np.cos(up) * np.cos(turn), np.cos(up) * np.sin(turn), np.sin(up)))
    arc = distance_km / _EARTH_KM
    town_up = np.array([math.sin(arc), 0.0, math.cos(arc)]).reshape(3, 1, 1, 1)
    centre = np.array([0.0, 0.0, -_EARTH_KM]).reshape(3, 1, 1, 1)
    point = sight * _SIGHT_KM
    height_km = np.maximum(np.linalg.norm(point - centre, axis=0) - _EARTH_KM, 1e-3)
    way = point - (centre + _EARTH_KM * town_up)
    way_km = np.maximum(np.linalg.norm(way, axis=0), _TOWN_RADIUS_KM)
    # Garstang's emission function, per steradian; nothing goes below the town's horizon
    cos_zenith = np.clip((way * town_up).sum(axis=0) / way_km, -1, 1)
    reflected = 2 * _GROUND_REFLECTED * (1 - _SENT_UP) * np.maximum(cos_zenith, 0)
    direct = 0.554 * _SENT_UP * np.arccos(cos_zenith) ** 4
    emitted = np.where(cos_zenith > 0, (reflected + direct) / (2 * math.pi), 0.0)
    # optical depth and scale height in km: the mean depth per km of a straight way between ground and height
    air, air_km, haze, haze_km = GAS_MAG / MAG_PER_DEPTH, GAS_SCALE_M / 1000, aod, AEROSOL_SCALE_M / 1000
    below = air * np.expm1(-height_km / air_km) + haze * np.expm1(-height_km / haze_km)
    lost = -below / height_km * (way_km + _SIGHT_KM)
    # the share scattered per km and steradian: Rayleigh's phase function for air, a forward one for haze
    cos_scatter = np.clip(-(way * sight).sum(axis=0) / way_km, -1, 1)
    g = _FORWARD
    by_air = 3 / (16 * math.pi) * (1 + cos_scatter**2)
    by_haze = (1 - g * g) / (4 * math.pi * (1 + g * g - 2 * g * cos_scatter) ** 1.5)
    thin_air, thin_haze = np.exp(-height_km / air_km), np.exp(-height_km / haze_km)
    scattered = air / air_km * thin_air * by_air + haze / haze_km * thin_haze * by_haze
    steps_km = np.gradient(np.log(_SIGHT_KM)) * _SIGHT_KM
    return np.asarray((emitted / way_km**2 * np.exp(-lost) * scattered * steps_km).sum(axis=-1))
