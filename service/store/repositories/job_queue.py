"""The queue of a fleet: jobs put into it in the transaction of the rows they serve (both are there, or
neither), and what it holds, asked beside our own rows. Its tables are those of procrastinate.

A job carries ids only. Losing one loses nothing: the sweep finds the same rows and puts it in again. So a
queue that is emptied costs minutes, not messages, as jobs that carry the work itself would.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from procrastinate import SyncPsycopgConnector
from procrastinate.exceptions import AlreadyEnqueued
from procrastinate.jobs import Job
from procrastinate.manager import JobManager
from psycopg import Connection
from sqlalchemy import String, text
from sqlalchemy.orm import Session

from alerts.common.phrases import phrase
from service.store.engine import StoreError
from service.store.repositories import messages
from service.store.repositories.messages import Due
from service.store.schema.core_tables import MessageRow

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


def waiting_locks(session: Session, locks: Sequence[str]) -> set[str]:
    """Those of the queueing locks under which a job waits."""
    query = text(
        "SELECT queueing_lock FROM procrastinate_jobs WHERE status = 'todo' AND queueing_lock = ANY(:locks)"
    )
    return set(session.scalars(query, {"locks": list(locks)})) if locks else set()


def queued_parts(session: Session, task: str) -> set[int]:
    """The parts of cycles for which a job of that task waits or runs; that of a process which died counts
    until it is given back."""
    query = text(
        "SELECT args->>'part_id' FROM procrastinate_jobs "
        "WHERE task_name = :task AND status IN ('todo', 'doing')"
    )
    return {int(part_id) for part_id in session.scalars(query, {"task": task})}


def unqueued_messages(session: Session, wall: datetime, task: str) -> Iterator[Due]:
    """Messages that are due and for which no job of that task waits or runs, longest waiting first."""
    queued = text(
        "SELECT jsonb_array_elements_text(args->'message_ids') AS id FROM procrastinate_jobs "
        "WHERE task_name = :task AND status IN ('todo', 'doing')"
    ).bindparams(task=task)
    unqueued = MessageRow.id.not_in(queued.columns(id=String).subquery().select())
    return messages.find_due(session, wall, unqueued)
