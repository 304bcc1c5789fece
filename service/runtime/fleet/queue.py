"""Jobs put into the queue in the transaction of the rows they serve: both are there, or neither.

A job carries ids only. Losing one loses nothing: the sweep finds the same rows and puts it in again. So a
queue that is emptied costs minutes, not messages, as jobs that carry the work itself would.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from procrastinate import SyncPsycopgConnector
from procrastinate.exceptions import AlreadyEnqueued
from procrastinate.jobs import Job
from procrastinate.manager import JobManager
from procrastinate.types import JSONValue
from psycopg import Connection
from sqlalchemy.orm import Session

from alerts.common.phrases import phrase
from service.store.engine import StoreError
from service.store.repositories.job_queue import waiting_locks

SKY, REFRESH, JUDGE, DELIVER, VERIFY, UPKEEP = "sky", "refresh", "judge", "deliver", "verify", "upkeep"
QUEUES = (SKY, REFRESH, JUDGE, DELIVER, VERIFY, UPKEEP)

PART, SEND, CHORE, RECOVER = (
    "duskbell.work_on_part",
    "duskbell.send_messages",
    "duskbell.do_chore",
    "duskbell.recover_jobs",
)
"""Names of the tasks. An older and a newer version work side by side, so a name never changes its meaning."""

URGENT = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Nudge:
    """A job to be. queueing_lock: no second one waits under the same. lock: no two run under the same."""

    task: str
    queue: str
    args: Mapping[str, JSONValue]
    queueing_lock: str | None = None
    lock: str | None = None
    priority: int = 0

    def job(self) -> Job:
        return Job(
            id=None,
            queue=self.queue,
            task_name=self.task,
            task_kwargs=dict(self.args),
            queueing_lock=self.queueing_lock,
            lock=self.lock,
            priority=self.priority,
        )


_manager = JobManager(SyncPsycopgConnector())
"""Has no connection of its own and opens none: each call is given the caller's."""


def defer(session: Session, nudges: Sequence[Nudge]) -> int:
    """Put these jobs into the queue when the session commits; how many were not waiting there already.

    A job that is waiting already would make the statement fail, and on PostgreSQL the whole transaction
    with it: such jobs are left out beforehand, and what slips in between is caught in a savepoint.
    """
    locks = [nudge.queueing_lock for nudge in nudges if nudge.queueing_lock is not None]
    waiting = waiting_locks(session, locks)
    fresh = [nudge for nudge in nudges if nudge.queueing_lock is None or nudge.queueing_lock not in waiting]
    if not fresh or _put(session, fresh):
        return len(fresh)
    return sum(_put(session, [nudge]) for nudge in fresh)


def _put(session: Session, nudges: Sequence[Nudge]) -> bool:
    savepoint = session.begin_nested()
    # the database hears of the savepoint only when the session's connection is asked for
    driver = session.connection().connection.driver_connection
    if not isinstance(driver, Connection):
        raise StoreError(phrase("runtime.queue-needs-postgresql"))
    try:
        _manager.batch_defer_jobs([nudge.job() for nudge in nudges], connection=driver)
    except AlreadyEnqueued:
        savepoint.rollback()
        return False
    savepoint.commit()
    return True
