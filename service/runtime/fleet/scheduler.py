"""A scheduler of a fleet: ticks begin cycles, sweeps find what lost its job. Any number may run; the database
lets one tick count."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from procrastinate.jobs import Job
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from alerts.common.phrases import phrase
from service.app import Duskbell
from service.channels import host_state
from service.delivery.fair_queue import in_order
from service.runtime.fleet import cycles
from service.runtime.fleet.sending import batch_up
from service.runtime.fleet.watchdog import Lifeline
from service.runtime.maintenance_jobs import MINUTE_OFFSET, Chore, build_watch, find_chores
from service.runtime.single_process import stop_on_signals
from service.store.locking import SharedHold
from service.store.repositories import messages
from service.store.repositories.cycles import take_turn
from service.store.repositories.job_queue import (
    CHORE,
    RECOVER,
    SEND,
    UPKEEP,
    URGENT,
    VERIFY,
    defer,
    unqueued_messages,
)

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0
STUCK_AFTER_S = 120.0
LOOKS_UNTIL_TOLD = 60
"""Looks in a row without a database, after which the operator is told, and again after as many."""
SWEEP_EVERY = timedelta(seconds=5)
RECALL_EVERY = timedelta(minutes=1)
RECOVER_EVERY = timedelta(seconds=10)
REST_AFTER_FAULT = timedelta(seconds=5)
MOST_AT_ONCE = 20_000
"""Messages that one sweep puts in jobs for; the next sweep goes on."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


Do = Callable[[Session, datetime, datetime], object]
"""Takes the session of the transaction in which the turn was taken, the moment it fell due, and the time."""


@dataclass(frozen=True, slots=True)
class Duty:
    """Something to be done every so often, counted from midnight UTC on the first of January 1970.

    offset: how long after the round moments, so that not everybody asks on the hour.
    """

    name: str
    every: timedelta
    do: Do
    offset: timedelta = timedelta(0)


def due_at(duty: Duty, now: datetime) -> datetime:
    """The latest moment, not after `now`, at which the duty fell due."""
    since = now - EPOCH - duty.offset
    return EPOCH + duty.offset + duty.every * (since // duty.every)


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
        watch, without_store = build_watch(duskbell), 0
        while not stopping.wait(LOOK_EVERY_S):
            try:
                hold.ensure()
            except DBAPIError as error:
                log.warning("the database can't be reached (%s)", type(error.orig).__name__)
                without_store += 1
                if without_store % LOOKS_UNTIL_TOLD == 0:
                    watch.look()
            else:
                without_store = 0
                if taken := scheduler.step():
                    log.debug("took its turn: %s", ", ".join(taken))
            came_round.set()


def _require_round(came_round: threading.Event) -> None:
    if not came_round.is_set():
        raise Stuck(phrase("runtime.scheduler-hangs"))
    came_round.clear()


class Scheduler:
    """Does what has fallen due since it last looked."""

    def __init__(self, duskbell: Duskbell, duties: Sequence[Duty]) -> None:
        self._duskbell = duskbell
        self._duties = duties
        self._looked_at: dict[str, datetime] = {}
        self._rests_until_s: dict[str, float] = {}
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="duskbell-duty")

    def step(self) -> list[str]:
        """Take the turns that are due; the names of those that this scheduler took.

        A duty that fails, whatever the reason, keeps no other back; its turn isn't taken, and it is tried
        again after a rest.
        """
        taken = []
        for duty in self._duties:
            now, now_s = self._duskbell.clock(), self._duskbell.steady()
            if self._rests_until_s.get(duty.name, now_s) > now_s:
                continue
            serving = self._pool.submit(self._serve, duty, now)
            error = serving.exception()
            if error is not None:
                log.error("%s failed and rests for a while", duty.name, exc_info=error)
                self._rests_until_s[duty.name] = now_s + REST_AFTER_FAULT.total_seconds()
            elif serving.result():
                taken.append(duty.name)
        return taken

    def _serve(self, duty: Duty, now: datetime) -> bool:
        moment = due_at(duty, now)
        if self._looked_at.get(duty.name) == moment:
            return False
        with self._duskbell.sessions.begin() as session:
            taken = take_turn(session, duty.name, moment, now)
            if taken:
                duty.do(session, moment, now)
        self._looked_at[duty.name] = moment
        return taken


def find_duties(duskbell: Duskbell, chores: Sequence[Chore], every: timedelta) -> list[Duty]:
    """What a scheduler of this installation does. every: from one cycle to the next."""
    offset = timedelta(minutes=MINUTE_OFFSET) % every
    return [
        Duty("cycle", every, cycles.begin, offset),
        Duty("sweep messages", SWEEP_EVERY, lambda session, _, now: put_in_messages(session, duskbell, now)),
        Duty("sweep parts", SWEEP_EVERY, lambda session, _, now: cycles.look_after_parts(session, now)),
        Duty("recall messages", RECALL_EVERY, lambda session, _, now: messages.recall_planned(session, now)),
        Duty("recover jobs", RECOVER_EVERY, ask_to_recover),
        Duty("verify", every, _chore("verify", VERIFY), offset),
        *(Duty(f"chore {chore.name}"[:40], chore.every, _chore(chore.name, UPKEEP)) for chore in chores),
    ]


def ask_to_recover(session: Session, _moment: datetime, _now: datetime) -> None:
    """Let a worker look for jobs whose process has died."""
    job = Job(id=None, queue=UPKEEP, lock=None, queueing_lock="recover", task_name=RECOVER, priority=URGENT)
    defer(session, [job])


def _chore(name: str, queue: str) -> Do:
    key = f"chore {name}"
    job = Job(id=None, queue=queue, lock=key, queueing_lock=key, task_name=CHORE, task_kwargs={"name": name})
    return lambda session, _moment, _now: defer(session, [job])


def put_in_messages(session: Session, duskbell: Duskbell, now: datetime) -> int:
    """Jobs for messages that are due and have none: retries, held ones, those whose job was lost. How many
    messages."""
    messages.release_dead_leases(session, now)
    messages.expire_waiting(session, now, now)
    breakers = host_state.find_breakers(session)
    due = unqueued_messages(session, now, SEND)
    waiting = in_order(due, duskbell.channels, breakers, now, at_most=MOST_AT_ONCE)
    defer(session, batch_up(waiting))
    return len(waiting)
