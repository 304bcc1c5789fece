"""Felt temperature and dew point against MetPy, which took them from the same sources by another way."""

from __future__ import annotations

import numpy as np
import pytest
from metpy.calc import dewpoint_from_relative_humidity, windchill
from metpy.units import units

from alerts.weather.hazards import dew_point_c, wind_chill_c


def test_wind_chill_agrees_with_metpy() -> None:
    temperatures, winds = np.meshgrid(np.arange(-45.0, 10.0, 2.5), np.arange(1.5, 35.0, 1.5))
    theirs = windchill(temperatures.ravel() * units.degC, winds.ravel() * units("m/s")).to("degC").magnitude
    ours = wind_chill_c(temperatures.ravel(), winds.ravel())
    assert len(ours) > 400
    assert ours == pytest.approx(np.asarray(theirs), abs=0.01)


def test_dew_point_agrees_with_metpy() -> None:
    """MetPy inverts another fit of the vapour pressure over water; the two part by up to 0.10 degrees."""
    temperatures, humidities = np.meshgrid(np.arange(-30.0, 41.0, 2.5), np.arange(0.1, 1.01, 0.1))
    theirs = (
        dewpoint_from_relative_humidity(temperatures.ravel() * units.degC, humidities.ravel())
        .to("degC")
        .magnitude
    )
    ours = dew_point_c(temperatures.ravel(), 100 * humidities.ravel())
    assert ours == pytest.approx(np.asarray(theirs), abs=0.11)
