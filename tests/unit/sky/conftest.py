"""One ephemeris for all tests of the sky: its tables are computed once and kept."""

from __future__ import annotations

import pytest

from alerts.sky.ephemeris import Ephemeris


@pytest.fixture(scope="session")
def ephemeris() -> Ephemeris:
    return Ephemeris.open()
