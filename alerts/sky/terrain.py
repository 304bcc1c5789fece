"""The horizon line: how high the land stands in each direction, and lines read from files."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from alerts.site import HorizonLine

Floats = npt.NDArray[np.float64]


def ridge_deg(line: HorizonLine, azimuth_deg: npt.ArrayLike) -> Floats:
    """Altitude of the land at azimuths of any shape, linear between points, wrapping at north."""
    azimuth = np.asarray(azimuth_deg, dtype=np.float64)
    if line.is_level:
        return np.zeros_like(azimuth)
    return np.asarray(np.interp(azimuth, line.azimuths_deg, line.altitudes_deg, period=360.0))
