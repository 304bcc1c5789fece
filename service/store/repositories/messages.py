"""Messages: claimed under a lease, settled once, every attempt kept.

due -> sending -> sent | failed | retry -> sending …; due and retry also end as expired, superseded or
suppressed. A lease that ran out goes back to retry, marked `maybe_sent`.
"""

from __future__ import annotations

import base64
import secrets
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import ColumnElement, func, insert, or_, select, update
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase
from alerts.common.plain_values import value
from alerts.notifying.model import AlertKind
from service.common.clock import SET_BY
from service.common.fault_points import crash_point
from service.store.engine import changed_rows
from service.store.json_values import said_columns
from service.store.schema.core_tables import AddressRow, AlertRow, AttemptRow, MessageAlertRow, MessageRow
from service.store.schema.delivery_tables import EndpointRow, NoticeRow

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


CANCELLED = "cancelled"
"""Why an alert was dropped from a message that the operator cancelled: it isn't raised again."""

WAITING = (Status.DUE, Status.RETRY)
UNSETTLED = (*WAITING, Status.SENDING)


def new_message_id() -> str:
    """A fresh id, `msg_` and 26 characters of base32 (128 random bits); receivers drop repeats by it."""
    return "msg_" + base64.b32encode(secrets.token_bytes(16)).decode().rstrip("=").lower()


def enqueue_many(
    session: Session,
    carried: Mapping[int, Sequence[tuple[int, datetime]]],
    *,
    created_at: datetime,
    due_at: datetime,
) -> None:
    """A message for each address that carries these alerts; it is worth sending as long as one of them is.

    carried: ids of its alerts, each with when it expires.
    """
    rows = [
        _waiting(address_id, created_at, due_at, max(expires_at for _, expires_at in alerts))
        for address_id, alerts in carried.items()
    ]
    if not rows:
        return
    session.execute(insert(MessageRow), rows)
    links = [
        {"message_id": row["id"], "alert_id": alert_id}
        for row, alerts in zip(rows, carried.values(), strict=True)
        for alert_id, _ in alerts
    ]
    session.execute(insert(MessageAlertRow), links)
    crash_point("message.written")


def _waiting(address_id: int, created_at: datetime, due_at: datetime, expires_at: datetime) -> dict[str, Any]:
    """The row of a message that nobody has tried to send."""
    return {
        "id": new_message_id(),
        "address_id": address_id,
        "status": Status.DUE,
        "created_at": created_at,
        "due_at": due_at,
        "expires_at": expires_at,
        "attempts": 0,
        "maybe_sent": False,
    }


class NoticeKind(StrEnum):
    CONFIRM = "confirm"
    SIGN_IN = "sign_in"
    TEST = "test"
    HELLO = "hello"
    ENDPOINT_FAILING = "endpoint_failing"
    ENDPOINT_OFF = "endpoint_off"
    KEY_ENDS = "key_ends"
    OPERATOR = "operator"


@dataclass(frozen=True, slots=True)
class NewNotice:
    """What a message says that carries no alert (service/accounts/notices): one of `NoticeKind`, what its
    words name, and until when it helps."""

    kind: str
    facts: dict[str, str]
    helps_until: datetime


def enqueue_notice(
    session: Session, address_id: int, notice: NewNotice, *, created_at: datetime, due_at: datetime
) -> MessageRow:
    """A message that carries a notice."""
    message = MessageRow(**_waiting(address_id, created_at, due_at, notice.helps_until))
    session.add(message)
    session.flush()
    session.add(NoticeRow(message_id=message.id, kind=notice.kind, facts=notice.facts))
    session.flush()
    return message


def release_dead_leases(session: Session, wall: datetime) -> int:
    """Give messages of senders that died back to the queue; how many.

    A lease that ends later than any could was taken before the clock was set back.
    """
    ends = MessageRow.leased_until
    return _give_back(session, (ends < wall) | (ends > wall + 2 * LEASE), wall=wall)


def recall_planned(session: Session, wall: datetime) -> int:
    """Let go out now what a clock that has been set back since had planned for later; how many.

    It shows in times still to come at which something has happened: the writing of a message that nobody has
    tried, or the newest attempt at one. What waits for the end of quiet hours is held again when it is taken.
    """
    message, attempt = MessageRow, AttemptRow
    ahead = wall + SET_BY
    tried = select(attempt.message_id).where(attempt.message_id == message.id, attempt.ended_at > ahead)
    return changed_rows(
        session,
        update(message)
        .where(
            message.status.in_(WAITING),
            message.due_at > ahead,
            or_((message.status == Status.DUE) & (message.created_at > ahead), tried.exists()),
        )
        .values(due_at=wall)
        .execution_options(synchronize_session=False),
    )


def release(session: Session, token: str, message_ids: Iterable[str], wall: datetime) -> int:
    """Give back messages whose sends can't be waited for; they may have been sent."""
    mine = (MessageRow.lease_token == token) & MessageRow.id.in_(set(message_ids))
    return _give_back(session, mine, wall=wall)


def _give_back(session: Session, which: object, *, wall: datetime) -> int:
    return changed_rows(
        session,
        update(MessageRow)
        .where(MessageRow.status == Status.SENDING, which)  # type: ignore[arg-type]
        .values(status=Status.RETRY, maybe_sent=True, lease_token=None, leased_until=None, due_at=wall),
    )


def expire_waiting(session: Session, now: datetime, wall: datetime) -> int:
    """Settle waiting messages that no longer help anyone; how many."""
    return changed_rows(
        session,
        update(MessageRow)
        .where(MessageRow.status.in_(WAITING), MessageRow.expires_at <= now)
        .values(status=Status.EXPIRED, settled_at=wall, **_note(phrase("store.message-expired"))),
    )


@value(frozen=True, slots=True)
class Due:
    """A message whose time has come, and how its address has fared of late.

    failures: of that address, in a row.  is_stand_down: it takes a go back.
    """

    message_id: str
    address_id: int
    channel: str
    target: str
    failures: int
    last_failure_at: datetime | None
    is_stand_down: bool


def find_due(session: Session, wall: datetime, *among: ColumnElement[bool]) -> Iterator[Due]:
    """The messages whose time has come, longest waiting first. among: of those alone, for the store's own
    modules; elsewhere it is `due_among`."""
    message, address = MessageRow, AddressRow
    takes_back = (
        select(MessageAlertRow.message_id)
        .join(AlertRow, AlertRow.id == MessageAlertRow.alert_id)
        .where(MessageAlertRow.message_id == message.id, AlertRow.kind == AlertKind.STAND_DOWN)
    )
    query = (
        select(
            message.id,
            address.id,
            address.channel,
            address.target,
            func.coalesce(EndpointRow.failures, 0),
            EndpointRow.last_failure_at,
            takes_back.exists(),
        )
        .join(address, address.id == message.address_id)
        .outerjoin(EndpointRow, EndpointRow.address_id == address.id)
        .where(message.status.in_(WAITING), message.due_at <= wall, *among)
        .order_by(message.due_at, message.id)
        .execution_options(yield_per=1000)
    )
    return (Due(*row) for row in session.execute(query))


def due_among(session: Session, wall: datetime, message_ids: Collection[str]) -> Iterator[Due]:
    """Those of these messages whose time has come, longest waiting first."""
    return find_due(session, wall, MessageRow.id.in_(message_ids))


def claim_many(
    session: Session, message_ids: Sequence[str], wall: datetime
) -> list[tuple[MessageRow, AddressRow]]:
    """Take those that still wait, all under one new lease, each with its address.

    A message that another sender has taken or that is settled is left out.
    """
    free = select(MessageRow.id).where(
        MessageRow.id.in_(message_ids),
        MessageRow.status.in_(WAITING),
        MessageRow.due_at <= wall,
    )
    taken = session.scalars(
        update(MessageRow)
        .where(MessageRow.id.in_(free.with_for_update(skip_locked=True)))
        .values(
            status=Status.SENDING,
            lease_token=secrets.token_hex(16),
            leased_until=wall + LEASE,
            attempts=MessageRow.attempts + 1,
        )
        .returning(MessageRow.id)
        .execution_options(synchronize_session=False)
    ).all()
    rows = session.execute(
        select(MessageRow, AddressRow)
        .join(AddressRow, AddressRow.id == MessageRow.address_id)
        .where(MessageRow.id.in_(taken))
        .execution_options(populate_existing=True)
    )
    found = {message.id: (message, address) for message, address in rows}
    return [found[message_id] for message_id in message_ids if message_id in found]


def lock_stored(session: Session, message_ids: Iterable[str]) -> set[str]:
    """Those of the messages that are still stored; they stay so until the transaction ends."""
    held = select(MessageRow.id).where(MessageRow.id.in_(set(message_ids)))
    return set(session.scalars(held.with_for_update(read=True, key_share=True)))


@value(frozen=True, slots=True)
class Lease:
    """A message as one sender has claimed it."""

    message_id: str
    token: str | None


def settle(
    session: Session, lease: Lease, status: Status, *, wall: datetime, note: Phrase | None = None
) -> bool:
    """End a claimed message; False when its lease was lost meanwhile, and nothing is changed then."""
    return bool(
        _leave(session, [lease.message_id], lease.token, status=status, settled_at=wall, **_note(note))
    )


def give_up(session: Session, lease: Lease, *, wall: datetime, note: Phrase, maybe_sent: bool) -> bool:
    """As `settle`, for one that can't be sent. maybe_sent: whether it may have arrived all the same."""
    values = {"status": Status.FAILED, "settled_at": wall, "maybe_sent": maybe_sent, **_note(note)}
    return bool(_leave(session, [lease.message_id], lease.token, **values))


def settle_sent(session: Session, message_ids: Iterable[str], token: str | None, wall: datetime) -> set[str]:
    """End messages of one lease that were sent; the ids of those whose lease held."""
    return _leave(session, message_ids, token, status=Status.SENT, settled_at=wall, **_note(None))


def settle_late(session: Session, message_ids: Iterable[str], wall: datetime) -> None:
    """Messages that a receiver took, as became known after their lease had run out: whatever they were
    settled or put back as meanwhile, they are sent. One that another is sending now is left to it."""
    session.execute(
        update(MessageRow)
        .where(
            MessageRow.id.in_(set(message_ids)),
            MessageRow.status.in_(
                (*WAITING, Status.EXPIRED, Status.SUPERSEDED, Status.SUPPRESSED, Status.FAILED)
            ),
        )
        .values(status=Status.SENT, settled_at=wall, lease_token=None, leased_until=None)
    )


def put_back(session: Session, lease: Lease, due_at: datetime, *, note: Phrase, maybe_sent: bool) -> bool:
    """Let a claimed message be tried again at `due_at`; False when its lease was lost meanwhile.

    maybe_sent: whether this or an earlier attempt may have arrived.
    """
    values = {"status": Status.RETRY, "due_at": due_at, "maybe_sent": maybe_sent, **_note(note)}
    return bool(_leave(session, [lease.message_id], lease.token, **values))


def hold(session: Session, message: MessageRow, due_at: datetime, *, note: Phrase) -> None:
    """Put a claimed message back that nothing was tried with."""
    tried = message.attempts - 1
    status = Status.RETRY if tried else Status.DUE
    values = {"status": status, "due_at": due_at, "attempts": tried, **_note(note)}
    _leave(session, [message.id], message.lease_token, **values)


def _note(note: Phrase | None) -> dict[str, Any]:
    return said_columns("note", note)


def _leave(session: Session, message_ids: Iterable[str], token: str | None, **values: object) -> set[str]:
    left = session.scalars(
        update(MessageRow)
        .where(
            MessageRow.id.in_(set(message_ids)),
            MessageRow.status == Status.SENDING,
            MessageRow.lease_token == token,
        )
        .values(lease_token=None, leased_until=None, **values)
        .returning(MessageRow.id)
        .execution_options(synchronize_session=False)
    )
    return set(left)


def carried_by(
    session: Session, message_ids: Iterable[str]
) -> dict[str, list[tuple[MessageAlertRow, AlertRow]]]:
    """For each message the alerts that were not dropped from it, oldest first."""
    query = (
        select(MessageAlertRow, AlertRow)
        .join(AlertRow, AlertRow.id == MessageAlertRow.alert_id)
        .where(
            MessageAlertRow.message_id.in_(set(message_ids)),
            MessageAlertRow.dropped.is_(None),
        )
        .order_by(AlertRow.id)
    )
    carried: dict[str, list[tuple[MessageAlertRow, AlertRow]]] = defaultdict(list)
    for link, alert in session.execute(query):
        carried[link.message_id].append((link, alert))
    return carried


def notices_of(session: Session, message_ids: Iterable[str]) -> dict[str, NoticeRow]:
    """The notices that these messages carry, by message."""
    rows = session.scalars(select(NoticeRow).where(NoticeRow.message_id.in_(set(message_ids))))
    return {row.message_id: row for row in rows}


def get_message(session: Session, message_id: str) -> MessageRow:
    """The message of that id, or the one whose id begins so; BadInput when there isn't exactly one."""
    rows = session.scalars(
        select(MessageRow).where(MessageRow.id.startswith(message_id, autoescape=True)).limit(2)
    ).all()
    if len(rows) != 1:
        raise BadInput(phrase("store.message-not-one", found=len(rows), message_id=message_id))
    return rows[0]


def find_messages(session: Session, status: Status | None, limit: int) -> list[MessageRow]:
    """The newest messages, of that status if one is named."""
    query = select(MessageRow).order_by(MessageRow.created_at.desc(), MessageRow.id)
    if status is not None:
        query = query.where(MessageRow.status == status)
    return list(session.scalars(query.limit(limit)))


def find_attempts(session: Session, message_id: str) -> list[AttemptRow]:
    """The attempts at a message that are still kept, oldest first."""
    query = select(AttemptRow).where(AttemptRow.message_id == message_id)
    return list(session.scalars(query.order_by(AttemptRow.id)))


def resend(session: Session, message: MessageRow, *, again: bool, now: datetime, wall: datetime) -> None:
    """Let a settled message be sent once more under its id. again: also one that was sent.

    BadInput where that can't be: it is still on its way, or the moment that it would help is past.
    """
    if message.status in UNSETTLED:
        raise BadInput(phrase("store.message-on-its-way", id=message.id, status=message.status))
    if message.expires_at <= now:
        raise BadInput(phrase("store.message-too-late", id=message.id))
    if message.status == Status.SENT and not again:
        raise BadInput(phrase("store.message-sent-already", id=message.id))
    message.maybe_sent = message.maybe_sent or message.status == Status.SENT
    message.status, message.due_at, message.settled_at = Status.RETRY, wall, None
    for name, each in _note(phrase("store.message-sent-once-more")).items():
        setattr(message, name, each)
    _mark_alerts(session, message.id, CANCELLED, None)


def cancel(session: Session, message: MessageRow, *, wall: datetime) -> None:
    """End a message that still waits, for good: the alerts it carries count as told, so that the next
    cycle doesn't raise them again. The subscription isn't paused, which would silence what the operator
    didn't mean. BadInput when it doesn't wait."""
    ended = session.execute(
        update(MessageRow)
        .where(MessageRow.id == message.id, MessageRow.status.in_(WAITING))
        .values(status=Status.SUPPRESSED, settled_at=wall, **_note(phrase("store.message-cancelled")))
        .execution_options(synchronize_session=False)
    )
    if ended.rowcount != 1:  # type: ignore[attr-defined]
        raise BadInput(phrase("store.message-not-waiting", id=message.id, status=message.status))
    if not message.maybe_sent:  # else they may have arrived, and a stand-down may be owed
        _mark_alerts(session, message.id, None, CANCELLED)


def _mark_alerts(session: Session, message_id: str, before: str | None, after: str | None) -> None:
    link = MessageAlertRow
    session.execute(
        update(link)
        .where(link.message_id == message_id, link.dropped.is_not_distinct_from(before))
        .values(dropped=after)
    )


def keep_attempts(session: Session, rows: Sequence[dict[str, object]]) -> None:
    """Write tries to send."""
    session.execute(insert(AttemptRow), rows)


def find_mail(session: Session, message_id: str) -> tuple[MessageRow, AddressRow] | None:
    """A message that goes or went by mail, with its address; None for any other."""
    found = session.execute(
        select(MessageRow, AddressRow)
        .join(AddressRow, AddressRow.id == MessageRow.address_id)
        .where(MessageRow.id == message_id, AddressRow.channel == "email")
    ).first()
    return None if found is None else (found[0], found[1])


def find_overdue(session: Session, before: datetime, *, failures: int, most: int) -> list[tuple[str, str]]:
    """Channel and target of messages that were due before that moment and haven't come to an end, so many at
    most; without addresses that failed so often in a row."""
    failing = select(EndpointRow.address_id).where(EndpointRow.failures >= failures)
    query = (
        select(AddressRow.channel, AddressRow.target)
        .join(MessageRow, MessageRow.address_id == AddressRow.id)
        .where(
            MessageRow.status.in_(UNSETTLED),
            MessageRow.due_at < before,
            AddressRow.id.not_in(failing),
        )
        .limit(most)
    )
    return [(channel, target) for channel, target in session.execute(query)]


def notices_to(session: Session, address_id: int, kinds: Collection[NoticeKind]) -> list[str]:
    """The ids of messages to an address that carry notices of these kinds."""
    query = (
        select(MessageRow.id)
        .join(NoticeRow, NoticeRow.message_id == MessageRow.id)
        .where(MessageRow.address_id == address_id, NoticeRow.kind.in_(kinds))
    )
    return list(session.scalars(query))
