"""Messages: claimed under a lease, settled once, every attempt kept.

due -> sending -> sent | failed | retry -> sending …; due and retry also end as expired, superseded or
suppressed. A lease that ran out goes back to retry, marked `maybe_sent`.
"""

from __future__ import annotations

import base64
import secrets
from collections.abc import Iterable
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.store import tables

LEASE = timedelta(seconds=120)
"""Longer than the longest send (60 s for mail), so that a live sender is never overtaken."""


class Status(StrEnum):
    DUE = "due"
    SENDING = "sending"
    RETRY = "retry"
    SENT = "sent"
    FAILED = "failed"
    EXPIRED = "expired"
    SUPERSEDED = "superseded"
    SUPPRESSED = "suppressed"


WAITING = (Status.DUE, Status.RETRY)


def new_message_id() -> str:
    """A fresh id, `msg_` and 26 characters of base32 (128 random bits); receivers drop repeats by it."""
    return "msg_" + base64.b32encode(secrets.token_bytes(16)).decode().rstrip("=").lower()


def enqueue(
    session: Session,
    address_id: int,
    alerts: Iterable[tables.Alert],
    *,
    created_at: datetime,
    due_at: datetime,
) -> tables.Message:
    """A message that carries these alerts; it is worth sending as long as one of them is."""
    alerts = list(alerts)
    message = tables.Message(
        id=new_message_id(),
        address_id=address_id,
        status=Status.DUE,
        created_at=created_at,
        due_at=due_at,
        expires_at=max(alert.expires_at for alert in alerts),
        attempts=0,
        maybe_sent=False,
    )
    session.add(message)
    session.flush()
    session.add_all(tables.MessageAlert(message_id=message.id, alert_id=alert.id) for alert in alerts)
    return message


def release_dead_leases(session: Session, wall: datetime) -> int:
    """Give messages of senders that died back to the queue; how many."""
    result = session.execute(
        update(tables.Message)
        .where(tables.Message.status == Status.SENDING, tables.Message.leased_until < wall)
        .values(status=Status.RETRY, maybe_sent=True, lease_token=None, leased_until=None, due_at=wall)
    )
    return int(result.rowcount)  # type: ignore[attr-defined]


def expire_waiting(session: Session, now: datetime, wall: datetime) -> int:
    """Settle waiting messages that no longer help anyone; how many."""
    result = session.execute(
        update(tables.Message)
        .where(tables.Message.status.in_(WAITING), tables.Message.expires_at <= now)
        .values(status=Status.EXPIRED, settled_at=wall, note="the moment it would have helped is past")
    )
    return int(result.rowcount)  # type: ignore[attr-defined]


def find_due(session: Session, wall: datetime) -> list[str]:
    """Ids of the messages whose time has come, longest waiting first."""
    query = (
        select(tables.Message.id)
        .where(tables.Message.status.in_(WAITING), tables.Message.due_at <= wall)
        .order_by(tables.Message.due_at, tables.Message.id)
    )
    return list(session.scalars(query))


def claim(session: Session, message_id: str, wall: datetime) -> tables.Message | None:
    """Take a waiting message under a lease; None when another sender has it or it is settled."""
    result = session.execute(
        update(tables.Message)
        .where(tables.Message.id == message_id, tables.Message.status.in_(WAITING))
        .values(
            status=Status.SENDING,
            lease_token=secrets.token_hex(16),
            leased_until=wall + LEASE,
            attempts=tables.Message.attempts + 1,
        )
    )
    if result.rowcount != 1:  # type: ignore[attr-defined]
        return None
    return session.get(tables.Message, message_id, populate_existing=True)


def settle(
    session: Session, message: tables.Message, status: Status, *, wall: datetime, note: str | None = None
) -> bool:
    """End a claimed message; False when its lease was lost meanwhile, and nothing is changed then."""
    return _leave(session, message, status=status, settled_at=wall, note=note)


def put_back(
    session: Session, message: tables.Message, due_at: datetime, *, maybe_sent: bool, note: str
) -> bool:
    """Let a claimed message be tried again at `due_at`; False when its lease was lost meanwhile."""
    return _leave(
        session,
        message,
        status=Status.RETRY,
        due_at=due_at,
        maybe_sent=message.maybe_sent or maybe_sent,
        note=note,
    )


def _leave(session: Session, message: tables.Message, **values: object) -> bool:
    result = session.execute(
        update(tables.Message)
        .where(
            tables.Message.id == message.id,
            tables.Message.status == Status.SENDING,
            tables.Message.lease_token == message.lease_token,
        )
        .values(lease_token=None, leased_until=None, **values)
    )
    return bool(result.rowcount == 1)  # type: ignore[attr-defined]


def carried_alerts(session: Session, message_id: str) -> list[tuple[tables.MessageAlert, tables.Alert]]:
    """The alerts of a message that were not dropped from it."""
    query = (
        select(tables.MessageAlert, tables.Alert)
        .join(tables.Alert, tables.Alert.id == tables.MessageAlert.alert_id)
        .where(tables.MessageAlert.message_id == message_id, tables.MessageAlert.dropped.is_(None))
        .order_by(tables.Alert.id)
    )
    return [(link, alert) for link, alert in session.execute(query)]
