"""Jobs put into the queue in the transaction of the rows they serve: both are there, or neither.

A job carries ids only. Losing one loses nothing: the sweep finds the same rows and puts it in again. So a
queue that is emptied costs minutes, not messages, as jobs that carry the work itself would.
"""

from __future__ import annotations

from collections.abc import Sequence

from procrastinate import SyncPsycopgConnector
from procrastinate.exceptions import AlreadyEnqueued
from procrastinate.jobs import Job
from procrastinate.manager import JobManager
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


_manager = JobManager(SyncPsycopgConnector())
"""Has no connection of its own and opens none: each call is given the caller's."""


def defer(session: Session, jobs: Sequence[Job]) -> int:
    """Put these jobs into the queue when the session commits; how many were not waiting there already.

    Under one `queueing_lock` no second job waits, under one `lock` no two run. A job that is waiting already
    would make the statement fail, and on PostgreSQL the whole transaction with it: such jobs are left out
    beforehand, and what slips in between is caught in a savepoint.
    """
    waiting = waiting_locks(session, [job.queueing_lock for job in jobs if job.queueing_lock is not None])
    fresh = [job for job in jobs if job.queueing_lock is None or job.queueing_lock not in waiting]
    if not fresh or _put(session, fresh):
        return len(fresh)
    return sum(_put(session, [job]) for job in fresh)


def _put(session: Session, jobs: list[Job]) -> bool:
    savepoint = session.begin_nested()
    # the database hears of the savepoint only when the session's connection is asked for
    driver = session.connection().connection.driver_connection
    if not isinstance(driver, Connection):
        raise StoreError(phrase("runtime.queue-needs-postgresql"))
    try:
        _manager.batch_defer_jobs(jobs, connection=driver)
    except AlreadyEnqueued:
        savepoint.rollback()
        return False
    savepoint.commit()
    return True
