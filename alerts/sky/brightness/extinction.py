"""How much air, haze and smoke take from the light that comes through them.

Two airmasses are in use and don't mix: Kasten & Young's for light that comes straight from beyond
the air (the Milky Way), Krisciunas & Schaefer's for light scattered in it (moonlight, the night
sky's own growth toward the horizon).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase

Floats = npt.NDArray[np.float64]

MAG_PER_DEPTH = 1.086
"""Magnitudes per unit of optical depth: 2.5 log10(e)."""
GAS_MAG, GAS_SCALE_M = 0.1451, 8000.0
"""Molecular scattering in V at sea level, per airmass; Green 1992, ICQ 14, 55."""
OZONE_MAG = 0.016
"""Ozone in V, per airmass; the same source."""
DEFAULT_AOD, AEROSOL_SCALE_M = 0.11, 1500.0
"""Aerosol optical depth at sea level taken where the weather gives none: the average 0.12 mag of the
same source. It thins out with height."""
MOST_AOD = 20.0
"""More than the thickest smoke measured; beyond it a number is a mistake."""


def known_or_default_aod(aod: npt.ArrayLike | None, elevation_m: float) -> Floats:
    """Aerosol optical depths at 550 nm above a place, any shape; None and NaN become the default.

    Raises BadInput for values outside 0..20.
    """
    usual = np.asarray(DEFAULT_AOD * np.exp(-elevation_m / AEROSOL_SCALE_M))
    if aod is None:
        return usual
    given = np.asarray(aod, dtype=np.float64)
    wrong = given[~np.isnan(given) & ~((given >= 0) & (given <= MOST_AOD))]
    if wrong.size:
        raise BadInput(phrase("sky.aerosol-range", most_aod=MOST_AOD, aod=wrong.flat[0]))
    return np.where(np.isnan(given), usual, given)


def gas_mag(elevation_m: npt.ArrayLike) -> Floats:
    """Extinction by air and ozone above a place, V mag per airmass."""
    thinner = np.exp(-np.asarray(elevation_m, dtype=np.float64) / GAS_SCALE_M)
    return np.asarray(GAS_MAG * thinner + OZONE_MAG)


def refraction_deg(altitude_deg: npt.ArrayLike) -> Floats:
    """How far the air lifts a direction of a given airless altitude, from -1 to 90 degrees.

    Saemundsson 1986, Sky & Telescope 72, 70: 10 °C and 1010 hPa.
    """
    altitude = np.clip(np.asarray(altitude_deg, dtype=np.float64), -1.0, 90.0)
    lifted = altitude + 10.3 / (altitude + 5.11)
    return np.asarray(np.maximum(1.02 / np.tan(np.radians(lifted)), 0) / 60)


def airmass(apparent_altitude_deg: npt.ArrayLike) -> Floats:
    """Relative optical airmass at apparent (refracted) altitudes; below 0 degrees that of 0.

    Kasten & Young 1989, Appl. Opt. 28, 4735.
    """
    altitude = np.clip(np.asarray(apparent_altitude_deg, dtype=np.float64), 0.0, 90.0)
    return np.asarray(1 / (np.sin(np.radians(altitude)) + 0.50572 * (altitude + 6.07995) ** -1.6364))


def scattering_airmass(altitude_deg: npt.ArrayLike) -> Floats:
    """Airmass for scattered light, 1 at the zenith to 5 at the horizon; below it that of the horizon.

    Krisciunas & Schaefer 1991, PASP 103, 1033, eq. 3.
    """
    altitude = np.clip(np.asarray(altitude_deg, dtype=np.float64), 0.0, 90.0)
    return np.asarray((1 - 0.96 * np.cos(np.radians(altitude)) ** 2) ** -0.5)


def dimming_mag(altitude_deg: npt.ArrayLike, elevation_m: float, aod: npt.ArrayLike | None = None) -> Floats:
    """Magnitudes by which air, ozone and aerosol dim what shines from beyond, at airless altitudes.

    aod: as in `known_or_default_aod`, and its errors. Haze or smoke takes 1.086 AOD an airmass.
    """
    seen = np.asarray(altitude_deg, dtype=np.float64)
    per_airmass = gas_mag(elevation_m) + MAG_PER_DEPTH * known_or_default_aod(aod, elevation_m)
    return np.asarray(per_airmass * airmass(seen + refraction_deg(seen)))


def smoke_mag(altitude_deg: npt.ArrayLike, elevation_m: float, aod: npt.ArrayLike | None = None) -> Floats:
    """What haze or smoke takes beyond the default air, in magnitudes; never below zero."""
    seen = np.asarray(altitude_deg, dtype=np.float64)
    beyond = known_or_default_aod(aod, elevation_m) - known_or_default_aod(None, elevation_m)
    return np.asarray(MAG_PER_DEPTH * np.maximum(beyond, 0) * airmass(seen + refraction_deg(seen)))
