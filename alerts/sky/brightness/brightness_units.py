"""Units of sky brightness: nanolamberts, V magnitudes per square arcsecond.

Sums are made in nanolamberts (1 nL = 1e-5 / pi cd/m²), since magnitudes don't add.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_NL_AT_ZERO_EXPONENT, _EXPONENT_MAG, _PER_MAG = 34.08, 20.7233, 0.92104


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
