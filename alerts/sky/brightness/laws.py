"""The published laws of a sky's brightness: its units, what the air takes, the sky's own light, twilight.

Sums are made in nanolamberts (1 nL = 1e-5 / pi cd/m²), since magnitudes don't add: V mag per square
arcsecond are for people. Two airmasses are in use and don't mix: Kasten & Young's for light that comes
straight from beyond the air (the Milky Way), Krisciunas & Schaefer's for light scattered in it
(moonlight, the night sky's own growth toward the horizon).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase

Floats = npt.NDArray[np.float64]

_NL_AT_ZERO_EXPONENT, _EXPONENT_MAG, _PER_MAG = 34.08, 20.7233, 0.92104
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
NATURAL_ZENITH_MAG = 21.8
"""Assumed where nothing is measured: the middle of 21.6 (solar maximum; Patat 2003, A&A 400, 1183) and
22.0 (Falchi et al. 2016, Sci. Adv. 2, e1600377)."""
DARKEST_NATURAL_MAG = 22.1
"""Darkest natural zenith measured (Patat 2003, Table 4; 22.13: Grauer & Grauer 2021, Sci. Rep. 11, 23893)."""
GROWTH_MAG = 0.172
"""Extinction in V at Mauna Kea, for which the growth toward the horizon is published."""
ENDS_DEG = 16.0
"""Depression of the Sun at which the measured sky reaches its night level (15 to 16 degrees)."""
_BASE_MAG, _SLOPE_MAG, _CURVE_MAG = 11.84, 1.518, -0.057
_FROM_DEG = 5.0
_BRIGHT_DEPRESSION_DEG, _BRIGHT_MAG = (0.0, 3.0, _FROM_DEG), (7.74, 10.0, _BASE_MAG)


def nl_from_mag(mag_arcsec2: npt.ArrayLike) -> Floats:
    """Nanolamberts of V mag/arcsec²; Krisciunas & Schaefer 1991, PASP 103, 1033, eq. 1 (Garstang)."""
    mag = np.asarray(mag_arcsec2, dtype=np.float64)
    return np.asarray(_NL_AT_ZERO_EXPONENT * np.exp(_EXPONENT_MAG - _PER_MAG * mag))


def mag_from_nl(brightness_nl: npt.ArrayLike) -> Floats:
    """V mag/arcsec² of nanolamberts above zero; the inverse of `nl_from_mag`."""
    brightness = np.asarray(brightness_nl, dtype=np.float64)
    return np.asarray((_EXPONENT_MAG - np.log(brightness / _NL_AT_ZERO_EXPONENT)) / _PER_MAG)


def brighter_mag(bright_nl: npt.ArrayLike, dark_nl: npt.ArrayLike) -> Floats:
    """By how many magnitudes one brightness exceeds another, both in nL and above zero."""
    ratio = np.asarray(bright_nl, dtype=np.float64) / np.asarray(dark_nl, dtype=np.float64)
    return np.asarray(2.5 * np.log10(ratio))


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


def dimming_mag(
    altitude_deg: npt.ArrayLike, elevation_m: float, aod: npt.ArrayLike | None = None
) -> tuple[Floats, Floats]:
    """Magnitudes that what shines from beyond loses at airless altitudes: to air, ozone and aerosol together,
    and of it what haze or smoke takes beyond the default air, never below zero.

    aod: as in `known_or_default_aod`, and its errors. Haze or smoke takes 1.086 AOD an airmass.
    """
    seen = np.asarray(altitude_deg, dtype=np.float64)
    through = airmass(seen + refraction_deg(seen))
    known, usual = known_or_default_aod(aod, elevation_m), known_or_default_aod(None, elevation_m)
    whole = (gas_mag(elevation_m) + MAG_PER_DEPTH * known) * through
    return np.asarray(whole), np.asarray(MAG_PER_DEPTH * np.maximum(known - usual, 0) * through)


def growth(altitude_deg: npt.ArrayLike, extinction_mag: float = GROWTH_MAG) -> Floats:
    """How much brighter the dark sky is at altitudes than at the zenith: 1 to about 2.7.

    Krisciunas & Schaefer 1991, PASP 103, 1033, eq. 2. Smoke isn't put in: what it takes from the
    night sky's light in one direction it scatters in from the others.
    """
    mass = scattering_airmass(altitude_deg)
    return np.asarray(mass * 10 ** (-0.4 * extinction_mag * (mass - 1)))


def twilight_zenith_mag(sun_altitude_deg: npt.ArrayLike) -> Floats:
    """V mag/arcsec² of the zenith in twilight, night sky included, for Sun altitudes (airless) below 0.

    From 5 to 15 degrees of depression Patat et al. 2006, A&A 455, 385, Table 1 (Paranal, 2600 m,
    scatter 0.18 mag), run on to 16; nearer to sunset through Koomen et al. 1952, JOSA 42, 353 (2800 m).
    Outside that the nearest value.
    """
    depression = np.clip(-np.asarray(sun_altitude_deg, dtype=np.float64), 0.0, ENDS_DEG)
    beyond = depression - _FROM_DEG
    measured = _BASE_MAG + _SLOPE_MAG * beyond + _CURVE_MAG * beyond**2
    bright = np.interp(depression, _BRIGHT_DEPRESSION_DEG, _BRIGHT_MAG)
    return np.where(depression >= _FROM_DEG, measured, bright)


def twilight_nl(altitude_deg: npt.ArrayLike, sun_altitude_deg: npt.ArrayLike) -> Floats:
    """Twilight alone, in nL, at airless altitudes; shapes broadcast. Zero beyond 16 degrees of depression.

    The zenith's law less its own night level, growing toward the horizon as the night sky does. The
    glow's lean toward the Sun is left out: there, low down, it is brighter than this. A Sun above
    the horizon counts as one on it.
    """
    left = nl_from_mag(twilight_zenith_mag(sun_altitude_deg)) - nl_from_mag(twilight_zenith_mag(-ENDS_DEG))
    return np.asarray(left * growth(altitude_deg))
