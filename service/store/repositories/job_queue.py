"""What the queue of a fleet holds, asked beside our own rows. Its tables are those of procrastinate."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from sqlalchemy import String, text
from sqlalchemy.orm import Session

from service.store.repositories import messages
from service.store.repositories.messages import Due
from service.store.schema.core_tables import MessageRow


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
