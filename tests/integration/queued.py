"""One message put in or taken, as tests do it; the service does both with many at once."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.repositories import messages
from service.store.schema.core_tables import AlertRow, MessageRow


def enqueue(
    session: Session, address_id: int, alerts: Iterable[AlertRow], *, created_at: datetime, due_at: datetime
) -> MessageRow:
    """A message that carries these alerts."""
    carried = [(alert.id, alert.expires_at) for alert in alerts]
    known = set(session.scalars(select(MessageRow.id)))
    messages.enqueue_many(session, {address_id: carried}, created_at=created_at, due_at=due_at)
    return session.scalars(select(MessageRow).where(MessageRow.id.not_in(known))).one()


def claim(session: Session, message_id: str, wall: datetime) -> MessageRow | None:
    """Take one message; None when another sender has it or it is settled."""
    claimed = messages.claim_many(session, [message_id], wall)
    return claimed[0][0] if claimed else None
