"""The embedded schedule: APScheduler in this process, in UTC."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED, JobEvent
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

log = logging.getLogger(__name__)

MINUTE_OFFSET = 7
"""Cycles start at :07 and so on: feeds update on the hour and ask not to be met there."""
JITTER_S = 60


@dataclass(frozen=True, slots=True)
class Chore:
    """Something small to be done again and again beside the cycles."""

    name: str
    do: Callable[[], object]
    every: timedelta


def build_scheduler(
    run_cycle: Callable[[], object], cycle_minutes: int, chores: Sequence[Chore] = ()
) -> BackgroundScheduler:
    """A scheduler that runs a first cycle at once and then one every `cycle_minutes`, with the chores
    beside them; late runs are made up for once."""
    scheduler = BackgroundScheduler(
        timezone="UTC",
        job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
    )
    scheduler.add_job(run_cycle, id="first cycle")
    scheduler.add_job(run_cycle, _every(cycle_minutes), id="cycle")
    for chore in chores:
        scheduler.add_job(chore.do, _spaced(chore.every), id=chore.name)
    scheduler.add_listener(_report, EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES)
    return scheduler


def plan_anew(scheduler: BackgroundScheduler, cycle_minutes: int, chores: Sequence[Chore]) -> None:
    """After the clock was set: when each job is due next was reckoned on the clock as it was. A cycle runs at
    once, for nobody knows what was missed."""
    scheduler.reschedule_job("cycle", trigger=_every(cycle_minutes))
    scheduler.modify_job("cycle", next_run_time=datetime.now(UTC))
    for chore in chores:
        scheduler.reschedule_job(chore.name, trigger=_spaced(chore.every))


def _spaced(every: timedelta) -> IntervalTrigger:
    """Counted from now."""
    return IntervalTrigger(seconds=round(every.total_seconds()), timezone="UTC")


def _every(cycle_minutes: int) -> CronTrigger:
    """Fixed minutes of the day, so that a restart doesn't shift them."""
    if cycle_minutes < 60:
        minutes = ",".join(str(m) for m in range(MINUTE_OFFSET % cycle_minutes, 60, cycle_minutes))
        return CronTrigger(minute=minutes, timezone="UTC", jitter=JITTER_S)
    hours = f"*/{cycle_minutes // 60}"
    return CronTrigger(hour=hours, minute=MINUTE_OFFSET, timezone="UTC", jitter=JITTER_S)


def _report(event: JobEvent) -> None:
    problem = getattr(event, "exception", None)
    log.error(
        "trouble with %s (event %s): %s",
        event.job_id,
        event.code,
        problem or "a run was missed or is still going",
        exc_info=problem,
    )
