"""What a fleet's transactions do of themselves: hold the lease of the work, and put in its jobs.

Whoever writes a message, be it a judging worker or a sign-in page, needs to know nothing of the queue.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, event
from sqlalchemy.orm import (
    InstrumentedAttribute,
    ORMExecuteState,
    Session,
    SessionTransaction,
    UOWTransaction,
    sessionmaker,
    with_loader_criteria,
)

from service.channels.host_state import find_breakers
from service.channels.model import Channel
from service.delivery.fair_queue import in_order
from service.runtime.fleet.sending import batch_up
from service.store.repositories import messages
from service.store.repositories.cycle_parts import Held, hold_on
from service.store.repositories.job_queue import defer
from service.store.repositories.messages import Status
from service.store.schema.core_tables import MessageRow, SubscriptionRow

Clock = Callable[[], datetime]
_HELD, _LIMIT, _FRESH = "duskbell.held", "duskbell.limit", "duskbell.fresh"
"""What a session's `info` says of it."""


class _MarkedSessions(sessionmaker[Session]):
    """Sessions that say one thing more of themselves."""

    def __init__(self, sessions: sessionmaker[Session], name: str, value: object) -> None:
        self._sessions, self._name, self._value = sessions, name, value

    def __call__(self, **local_kw: Any) -> Session:
        session = self._sessions(**local_kw)
        session.info[self._name] = self._value
        return session


def of_part(sessions: sessionmaker[Session], held: Held) -> sessionmaker[Session]:
    """Sessions for the work on one part: each of their transactions holds on to its lease, or fails."""
    return _MarkedSessions(sessions, _HELD, held)


def of_block(
    sessions: sessionmaker[Session], attribute: InstrumentedAttribute[int], ids: Sequence[int]
) -> sessionmaker[Session]:
    """Sessions that see only some of the subscriptions: those of a block."""
    return _MarkedSessions(sessions, _LIMIT, with_loader_criteria(SubscriptionRow, attribute.in_(ids)))


def attach(sessions: sessionmaker[Session], channels: Mapping[str, Channel], clock: Clock) -> None:
    """Let the transactions of these sessions do so from now on."""

    def after_begin(session: Session, transaction: SessionTransaction, connection: Connection) -> None:
        held = session.info.get(_HELD)
        if isinstance(held, Held) and not transaction.nested:
            hold_on(connection, held, clock())

    def before_commit(session: Session) -> None:
        if session.in_nested_transaction():
            return
        session.flush()
        put_in_jobs(session, channels, clock())

    event.listen(sessions, "after_begin", after_begin)
    event.listen(sessions, "do_orm_execute", _limit)
    event.listen(sessions, "do_orm_execute", _note_inserted)
    event.listen(sessions, "after_flush", _note_added)
    event.listen(sessions, "before_commit", before_commit)
    event.listen(sessions, "after_rollback", _forget)


def put_in_jobs(session: Session, channels: Mapping[str, Channel], wall: datetime) -> None:
    """A job for each batch of the messages written in this transaction that are due."""
    fresh: dict[str, datetime] = session.info.pop(_FRESH, {})
    ids = [message_id for message_id, due_at in fresh.items() if due_at <= wall]
    if not ids:
        return
    due = messages.due_among(session, wall, ids)
    breakers = find_breakers(session)
    defer(session, batch_up(in_order(due, channels, breakers, wall)))


def _limit(state: ORMExecuteState) -> None:
    limit = state.session.info.get(_LIMIT)
    if limit is not None and state.is_select:
        state.statement = state.statement.options(limit)


def _note_added(session: Session, _context: UOWTransaction) -> None:
    added = [row for row in session.new if isinstance(row, MessageRow)]
    _note(session, [(row.id, row.status, row.due_at) for row in added])


def _note_inserted(state: ORMExecuteState) -> None:
    """Many at once, by `insert(MessageRow)` and a list of rows."""
    mapper = state.bind_mapper
    if not state.is_insert or mapper is None or mapper.class_ is not MessageRow:
        return
    rows = state.parameters if isinstance(state.parameters, Sequence) else [state.parameters or {}]
    _note(state.session, [(row["id"], row["status"], row["due_at"]) for row in rows])


def _note(session: Session, written: Iterable[tuple[str, str, datetime]]) -> None:
    fresh = session.info.setdefault(_FRESH, {})
    for message_id, status, due_at in written:
        if status == Status.DUE:
            fresh[message_id] = due_at


def _forget(session: Session) -> None:
    session.info.pop(_FRESH, None)
