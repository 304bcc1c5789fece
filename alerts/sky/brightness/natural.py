"""The dark night sky: airglow, zodiacal and scattered starlight, without the Milky Way itself."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from alerts.sky.brightness.extinction import scattering_airmass

Floats = npt.NDArray[np.float64]

NATURAL_ZENITH_MAG = 21.8
"""Assumed where nothing is measured: the middle of 21.6 (solar maximum; Patat 2003, A&A 400, 1183) and
22.0 (Falchi et al. 2016, Sci. Adv. 2, e1600377)."""
DARKEST_NATURAL_MAG = 22.1
"""Darkest natural zenith measured (Patat 2003, Table 4; 22.13: Grauer & Grauer 2021, Sci. Rep. 11, 23893)."""
GROWTH_MAG = 0.172
"""Extinction in V at Mauna Kea, for which the growth toward the horizon is published."""


def growth(altitude_deg: npt.ArrayLike, extinction_mag: float = GROWTH_MAG) -> Floats:
    """How much brighter the dark sky is at altitudes than at the zenith: 1 to about 2.7.

    Krisciunas & Schaefer 1991, PASP 103, 1033, eq. 2. Smoke isn't put in: what it takes from the
    night sky's light in one direction it scatters in from the others.
    """
    mass = scattering_airmass(altitude_deg)
    return np.asarray(mass * 10 ** (-0.4 * extinction_mag * (mass - 1)))
