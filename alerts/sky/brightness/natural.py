"""The sky's own light: airglow, zodiacal and scattered starlight, without the Milky Way itself; and sunlight
left in it after sunset."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from alerts.sky.brightness.brightness_units import nl_from_mag
from alerts.sky.brightness.extinction import scattering_airmass

Floats = npt.NDArray[np.float64]

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
