"""The suite at another hour: DUSKBELL_TEST_CLOCK=2027-03-28T00:30Z runs all tests as if they were begun then.

Time passes as usual from there. PostgreSQL, OpenSSL and the file system keep the machine's time. (libfaketime
would shift theirs too, but under Debian's Python either waits for ever or can't sleep.)
"""

from __future__ import annotations

import os
import runpy
from datetime import UTC, datetime
from pathlib import Path

import pytest

SHIFTED = Path(__file__).parent / "shifted"


def pytest_configure(config: pytest.Config) -> None:
    only_hands_out = config.getoption("numprocesses", None) and not hasattr(config, "workerinput")
    if "DUSKBELL_TEST_CLOCK" in os.environ and not only_hands_out:
        shift_clock(datetime.fromisoformat(os.environ["DUSKBELL_TEST_CLOCK"]))


def shift_clock(moment: datetime) -> None:
    """Here from now on, and in each process that is started from here."""
    os.environ["TEST_CLOCK_SHIFT_S"] = str((moment - datetime.now(UTC)).total_seconds())
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, (str(SHIFTED), os.environ.get("PYTHONPATH"))))
    runpy.run_path(str(SHIFTED / "sitecustomize.py"))
