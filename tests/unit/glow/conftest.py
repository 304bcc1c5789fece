"""What the tests of sky brightness share."""

from __future__ import annotations

import pytest

from alerts.sky.ephemeris import Ephemeris


@pytest.fixture(scope="session")
def ephemeris() -> Ephemeris:
    return Ephemeris.open()
