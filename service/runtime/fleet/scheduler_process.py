"""A scheduler of a fleet: begins cycles and sweeps. Two may run; the database lets one tick count."""

from __future__ import annotations

import logging
import threading
from datetime import timedelta
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from alerts.common.phrases import phrase
from service.app import Duskbell
from service.delivery.self_monitor import SelfMonitor
from service.runtime.fleet.schedule import Scheduler, find_duties
from service.runtime.fleet.watchdog import Lifeline
from service.runtime.maintenance_jobs import build_watch, find_chores
from service.runtime.single_process import stop_on_signals
from service.store.locking import SharedHold

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0
STUCK_AFTER_S = 120.0
LOOKS_UNTIL_TOLD = 60
"""Looks in a row without a database, after which the operator is told, and again after as many."""


class Stuck(OSError):
    """The loop hasn't come round since it was asked last."""


def run_scheduler(duskbell: Duskbell, *, every: timedelta | None = None, alive: Path | None = None) -> None:
    """Run until SIGINT or SIGTERM, also through a database that is away for a while.

    every: from one cycle to the next; None takes it from the settings.
    AlreadyRunning when a process that wants the store alone runs on it.
    """
    every = every or timedelta(minutes=duskbell.settings.cycle_minutes)
    scheduler = Scheduler(duskbell, find_duties(duskbell, find_chores(duskbell), every))
    stopping, came_round = duskbell.delivery.stopping, threading.Event()
    came_round.set()
    with (
        SharedHold(duskbell.engine) as hold,
        stop_on_signals(stopping),
        Lifeline(lambda: _require_round(came_round), alive=alive, give_up_after_s=STUCK_AFTER_S),
    ):
        rounds = _Rounds(scheduler, hold, build_watch(duskbell))
        while not stopping.wait(LOOK_EVERY_S):
            rounds.go()
            came_round.set()


def _require_round(came_round: threading.Event) -> None:
    if not came_round.is_set():
        raise Stuck(phrase("runtime.scheduler-hangs"))
    came_round.clear()


class _Rounds:
    """One look after the other; the store may fail in between."""

    def __init__(self, scheduler: Scheduler, hold: SharedHold, watch: SelfMonitor) -> None:
        self._scheduler, self._hold, self._watch = scheduler, hold, watch
        self._without_store = 0

    def go(self) -> None:
        try:
            self._hold.ensure()
        except DBAPIError as error:
            log.warning("the database can't be reached (%s)", type(error.orig).__name__)
            self._without_store += 1
            if self._without_store % LOOKS_UNTIL_TOLD == 0:
                self._watch.look()
            return
        self._without_store = 0
        taken = self._scheduler.step()
        if taken:
            log.debug("took its turn: %s", ", ".join(taken))
