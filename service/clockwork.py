"""The embedded schedule: APScheduler in this process, in UTC."""

from __future__ import annotations

import fcntl
import logging
from collections.abc import Callable
from pathlib import Path
from typing import IO

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED, JobEvent
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger

from alerts.errors import DuskbellError

log = logging.getLogger(__name__)

MINUTE_OFFSET = 7
"""Cycles start at :07 and so on: feeds update on the hour and ask not to be met there."""
JITTER_S = 60


class AlreadyRunning(DuskbellError):
    """Another scheduler holds the lock of this data folder."""


class SchedulerLock:
    """One scheduler per data folder; the operating system frees it when the process dies."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._path = folder / "scheduler.lock"
        self._file: IO[str] | None = None

    def __enter__(self) -> SchedulerLock:
        self._file = self._path.open("w")
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            self._file.close()
            raise AlreadyRunning(
                f"another Duskbell already runs on {self._path.parent}; stop it first, "
                "or set DUSKBELL_DATA_DIR to another folder."
            ) from None
        return self

    def __exit__(self, *_: object) -> None:
        assert self._file is not None, "entered before it is left"
        self._file.close()


def build_scheduler(run_cycle: Callable[[], object], cycle_minutes: int) -> BackgroundScheduler:
    """A scheduler that runs the cycle every `cycle_minutes`; late runs are made up for once."""
    scheduler = BackgroundScheduler(
        timezone="UTC",
        job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
    )
    scheduler.add_job(run_cycle, _every(cycle_minutes), id="cycle")
    scheduler.add_listener(_report, EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES)
    return scheduler


def _every(cycle_minutes: int) -> CronTrigger:
    """Fixed minutes of the day, so that a restart doesn't shift them."""
    if cycle_minutes < 60:
        minutes = ",".join(str(m) for m in range(MINUTE_OFFSET % cycle_minutes, 60, cycle_minutes))
        return CronTrigger(minute=minutes, timezone="UTC", jitter=JITTER_S)
    hours = f"*/{cycle_minutes // 60}"
    return CronTrigger(hour=hours, minute=MINUTE_OFFSET, timezone="UTC", jitter=JITTER_S)


def _report(event: JobEvent) -> None:
    problem = getattr(event, "exception", None)
    log.error("cycle trouble (event %s): %s", event.code, problem or "a run was missed or still running")
