"""The service as one process: schedule (APScheduler, in UTC), postman and pages, from start to a tidy end."""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from typing import NoReturn

import uvicorn
from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED, JobEvent
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from fastapi import FastAPI

from alerts.common.errors import DuskbellError
from alerts.common.phrases import phrase
from service.app import Duskbell
from service.common.clock import ClockWatch
from service.delivery.dispatcher import STOP_WITHIN_S, BackgroundSender
from service.pipeline.run_cycle import run_cycle
from service.runtime.maintenance_jobs import MINUTE_OFFSET, Chore, find_chores
from service.store.engine import require_writable
from service.store.locking import hold_store
from service.web.server import build_server

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0
PAGES_STOP_WITHIN_S = 2.0
JITTER_S = 60


class PagesStopped(DuskbellError):
    """The web server ended by itself."""


def run_service(
    duskbell: Duskbell, app: FastAPI, on_up: Callable[[], object], look: Callable[[], object] = lambda: None
) -> None:
    """Run until SIGINT or SIGTERM; on_up is called once all of it is up, look each second from then on.

    AlreadyRunning when another scheduler has the store; StoreError when it can't be written.
    """
    settings = duskbell.settings
    with hold_store(duskbell.engine):
        require_writable(duskbell.engine)
        stopping = duskbell.delivery.stopping
        pages = Pages(app, settings.web_host, settings.web_port)
        chores = find_chores(duskbell)
        scheduler = build_scheduler(
            lambda: run_cycle(duskbell, duskbell.clock()), settings.cycle_minutes, chores
        )

        with stop_on_signals(stopping):
            postman = BackgroundSender(duskbell.delivery)
            postman.start()
            pages.start()
            scheduler.start()
            try:
                on_up()
                look_after(
                    duskbell,
                    postman,
                    pages,
                    lambda: plan_anew(scheduler, settings.cycle_minutes, chores),
                    look,
                )
            finally:
                # take nothing more up, let a send under way finish, and give back what doesn't
                ends_s = time.monotonic() + STOP_WITHIN_S
                stopping.set()
                duskbell.delivery.nudge.set()
                scheduler.shutdown(wait=False)
                pages.stop(PAGES_STOP_WITHIN_S)
                if not postman.join(max(0.0, ends_s - time.monotonic()) + PAGES_STOP_WITHIN_S):
                    log.warning("a message under way could not be waited for; its lease runs out by itself")


def look_after(
    duskbell: Duskbell,
    postman: BackgroundSender,
    pages: Pages,
    on_clock_set: Callable[[], object],
    look: Callable[[], object] = lambda: None,
) -> None:
    """Until told to stop. on_clock_set: called when the wall clock was set by more than a minute."""
    watch = ClockWatch(duskbell.clock, duskbell.steady)
    while not duskbell.delivery.stopping.wait(LOOK_EVERY_S):
        if not pages.is_alive:
            raise PagesStopped(phrase("runtime.pages-ended"))
        postman.start()
        look()
        if moved := watch.moved_by():
            log.warning("the clock was set by %+.0f s; all is planned anew", moved.total_seconds())
            on_clock_set()


def build_scheduler(
    run_cycle: Callable[[], object], cycle_minutes: int, chores: Sequence[Chore] = ()
) -> BackgroundScheduler:
    """A scheduler that runs a first cycle at once and then one every `cycle_minutes`, with the chores
    beside them; late runs are made up for once."""
    scheduler = BackgroundScheduler(
        timezone="UTC", job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
    )
    scheduler.add_job(run_cycle, id="first cycle")
    scheduler.add_job(run_cycle, _every(cycle_minutes), id="cycle")
    for chore in chores:
        scheduler.add_job(chore.do, "interval", seconds=chore.every.total_seconds(), id=chore.name)
    scheduler.add_listener(_report, EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES)
    return scheduler


def plan_anew(scheduler: BackgroundScheduler, cycle_minutes: int, chores: Sequence[Chore]) -> None:
    """After the clock was set: when each job is due next was reckoned on the clock as it was. A cycle runs at
    once, for nobody knows what was missed."""
    scheduler.reschedule_job("cycle", trigger=_every(cycle_minutes))
    scheduler.modify_job("cycle", next_run_time=datetime.now(UTC))
    for chore in chores:
        scheduler.reschedule_job(chore.name, trigger="interval", seconds=chore.every.total_seconds())


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


class Pages:
    """The web server in a thread of its own."""

    def __init__(self, app: FastAPI, host: str, port: int) -> None:
        self._server: uvicorn.Server = build_server(app, host, port)
        self._thread = threading.Thread(target=self._server.run, name="duskbell-pages", daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def is_alive(self) -> bool:
        return self._thread.is_alive()

    def stop(self, within_s: float) -> None:
        """Answer what is being asked, and end."""
        self._server.should_exit = True
        self._thread.join(within_s)
        self._server.force_exit = True


@contextlib.contextmanager
def stop_on_signals(stopping: threading.Event) -> Iterator[None]:
    """SIGINT and SIGTERM set the event as long as the block lasts.

    By a thread: the handler runs in the middle of whatever the main thread does, and that may be holding
    the event's own lock.
    """

    def stop(*_: object) -> None:
        threading.Thread(target=stopping.set, daemon=True).start()

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def leave(code: int = 0) -> NoReturn:
    """End the process without waiting for threads that hang in a receiver or a feed: what they had in
    hand stands in the store, and the next start takes it up."""
    logging.shutdown()
    sys.stdout.flush()
    os._exit(code)
