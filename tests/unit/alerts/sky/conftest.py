"""What tests of the sky share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest


@pytest.fixture
def offline_astropy() -> Iterator[None]:
    """It fetches no tables of the Earth's turning; what it came with has to do."""
    from astropy.utils import iers

    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        yield
