"""Python imports this at its start when the folder is on its path. tests/conftest.py puts it there, so that
the processes that tests start tell the same shifted time."""

import os
from datetime import UTC, datetime, timedelta

import time_machine

time_machine.travel(
    datetime.now(UTC) + timedelta(seconds=float(os.environ["TEST_CLOCK_SHIFT_S"])), tick=True
).start()
datetime.now(UTC)  # time passes from the first reading on, which a fork would make anew
