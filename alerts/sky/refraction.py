"""How the air lifts what stands low: from airless altitudes to apparent ones and back, by a site's height.

A ridge is measured as it is seen. What shines from beyond the air is lifted before it is seen over it: by
half a degree at the level, by a tenth at 8 degrees. Altitudes that people wish for stay airless.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from alerts.sites.horizon import Ridges
from alerts.sites.model import HorizonLine

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

SEA_LEVEL_HPA, SEA_LEVEL_K = 1013.25, 288.15
LAPSE_K_M = 0.0065
PRESSURE_EXPONENT = 5.25588
"""The standard atmosphere below 11 km: ICAO Doc 7488, ISO 2533. The exponent is g M / (R L)."""
FORMULA_HPA, FORMULA_K = 1010.0, 283.0
"""The air that both formulas are made for: 10 °C."""
LOWEST_APPARENT_DEG = -1.0
"""Below, seen from above the land around, what holds here is taken: the formulas turn soon after."""


def air_share(elevation_m: npt.ArrayLike) -> Floats:
    """How much of the formulas' refraction the standard atmosphere makes at heights in metres: 0.99 at the
    sea, 0.81 at 2,000 m. It goes with pressure over temperature; Meeus, Astronomical Algorithms, ch. 16.
    """
    temperature_k = SEA_LEVEL_K - LAPSE_K_M * np.asarray(elevation_m, dtype=np.float64)
    pressure_hpa = SEA_LEVEL_HPA * (temperature_k / SEA_LEVEL_K) ** PRESSURE_EXPONENT
    return np.asarray(pressure_hpa / FORMULA_HPA * FORMULA_K / temperature_k)


def refraction_deg(altitude_deg: npt.ArrayLike) -> Floats:
    """How far the air lifts a direction of a given airless altitude, from -1 to 90 degrees.

    Saemundsson 1986, Sky & Telescope 72, 70: 10 °C and 1010 hPa.
    """
    altitude = np.clip(np.asarray(altitude_deg, dtype=np.float64), -1.0, 90.0)
    lifted = altitude + 10.3 / (altitude + 5.11)
    return np.asarray(np.maximum(1.02 / np.tan(np.radians(lifted)), 0) / 60)


def refraction_at_apparent_deg(apparent_deg: npt.ArrayLike) -> Floats:
    """How far the air has lifted what is seen at an apparent altitude; below -1 degree as there.

    Bennett 1982, J. Inst. Navigation 35, 255: 10 °C and 1010 hPa, right to 0.07'.
    """
    seen = np.clip(np.asarray(apparent_deg, dtype=np.float64), LOWEST_APPARENT_DEG, 90.0)
    return np.asarray(np.maximum(1 / np.tan(np.radians(seen + 7.31 / (seen + 4.4))), 0) / 60)


class AirlessRidges(Ridges):
    """Many sites' horizon lines as airless altitudes: what stands there is seen just on the ridge.

    A line that nobody gave stays at 0 degrees airless: what is merely assumed isn't lifted over.
    highest, lowest: shape (n,), of each line in airless degrees.
    """

    def __init__(self, lines: Sequence[HorizonLine], elevation_m: npt.ArrayLike) -> None:
        """elevation_m: shape (n,), of the sites."""
        super().__init__(lines)
        known = np.array([not line.is_level for line in lines] or [False])
        self._air = np.where(known, air_share(elevation_m), 0.0) if len(lines) else np.zeros(1)
        self.highest, self.lowest = (
            of - self._air * refraction_at_apparent_deg(of) for of in (self.highest, self.lowest)
        )

    def at(self, row: Ints, azimuth_deg: Floats) -> Floats:
        """Airless altitude of the land for (row of a line, azimuth 0..360), element by element."""
        seen = super().at(row, azimuth_deg)
        return np.asarray(seen - self._air[row] * refraction_at_apparent_deg(seen))


def airless_ridge_deg(line: HorizonLine, elevation_m: float, azimuth_deg: npt.ArrayLike) -> Floats:
    """As `AirlessRidges.at` of one site, at azimuths of any shape."""
    azimuth = np.asarray(azimuth_deg, dtype=np.float64)
    rows = np.zeros(azimuth.shape, dtype=np.intp)
    return AirlessRidges([line], [elevation_m]).at(rows, azimuth % 360)
