"""How addresses and hosts fare: breakers, failing spells, and switching off what is gone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import delete, or_, select, update
from sqlalchemy.orm import Session

from alerts.common.phrases import say
from service.common.backoff import CLOSED, Breaker, BreakerState
from service.store.schema.core_tables import AddressRow
from service.store.schema.delivery_tables import DestinationRow, EndpointRow

OFF_AFTER = timedelta(days=5)
"""Of failures only; then the address is switched off."""
FORGOTTEN_AFTER = 2 * OFF_AFTER
"""A failure this long after the last one begins a new spell."""
OWNER_TOLD_AFTER = 4
"""Failed attempts in a row after which the owner hears of it by another way."""


class FailureOutcome(StrEnum):
    """What a failure has led to."""

    FAILING = "failing"  # the owner is to be told
    OFF = "off"  # it was switched off; the owner is to be told


def find_breakers(session: Session) -> dict[str, Breaker]:
    """The breakers of all destinations with which something is wrong."""
    found = {}
    for row in session.scalars(select(DestinationRow)):
        state = BreakerState.CLOSED if row.open_until is None else BreakerState.OPEN
        pause, suspects = timedelta(seconds=row.pause_s), tuple(row.addresses or ())
        found[row.key] = Breaker(
            state, row.failures, row.opened_at, row.open_until, row.code, pause, suspects
        )
    return found


def keep_breakers(session: Session, changed: Mapping[str, Breaker]) -> None:
    """Store the breakers that changed; a closed one without failures has no row."""
    for key, breaker in changed.items():
        if breaker == CLOSED:
            session.execute(delete(DestinationRow).where(DestinationRow.key == key))
            continue
        row = session.get(DestinationRow, key) or DestinationRow(key=key)
        row.failures, row.pause_s = breaker.failures, round(breaker.pause.total_seconds())
        row.opened_at, row.open_until, row.code = breaker.since, breaker.retry_at, breaker.reason[:20]
        row.addresses = list(breaker.suspects)
        session.add(row)
    session.flush()


def endpoint(session: Session, address_id: int) -> EndpointRow:
    """The row of that address, made when there is none."""
    row = session.get(EndpointRow, address_id)
    if row is None:
        row = EndpointRow(address_id=address_id, failures=0)
        session.add(row)
    return row


def note_successes(session: Session, address_ids: Iterable[int]) -> None:
    """What arrived ends a failing spell."""
    session.execute(
        update(EndpointRow)
        .where(EndpointRow.address_id.in_(set(address_ids)), EndpointRow.failures > 0)
        .values(failures=0, failing_since=None, last_failure_at=None, owner_told_at=None)
    )


def note_doubt(session: Session, address_id: int, wall: datetime) -> None:
    """Count a failed attempt for which the address may not be to blame: it is tried more gently, no more."""
    row = endpoint(session, address_id)
    row.failures += 1
    row.last_failure_at = wall


def note_failure(session: Session, address: AddressRow, wall: datetime) -> FailureOutcome | None:
    """Count a failed attempt; what it has led to, once for each spell."""
    row = endpoint(session, address.id)
    is_old = row.last_failure_at is not None and wall - row.last_failure_at > FORGOTTEN_AFTER
    if row.failing_since is None or is_old:
        row.failures = 0 if is_old else row.failures
        row.failing_since, row.owner_told_at = wall, None
    row.failures += 1
    row.last_failure_at = wall
    if row.failures >= OWNER_TOLD_AFTER and wall - row.failing_since >= OFF_AFTER:
        return FailureOutcome.OFF if switch_off(address, say("channels.off-took-nothing"), wall) else None
    if row.failures >= OWNER_TOLD_AFTER and row.owner_told_at is None:
        row.owner_told_at = wall
        return FailureOutcome.FAILING
    return None


def switch_off(address: AddressRow, reason: str, wall: datetime) -> bool:
    """Send nothing to it any more; whether that is news. A reason already given stays."""
    if address.off_since is not None:
        return False
    address.off_since, address.off_reason = wall, reason
    return True


def switch_on(session: Session, address: AddressRow) -> None:
    """Send to it again, with a clean sheet."""
    address.off_since, address.off_reason = None, None
    note_successes(session, [address.id])


def other_way(session: Session, address: AddressRow) -> AddressRow | None:
    """Another confirmed address of the same person, a mail address first; None when there is none.

    Of the operator's mail addresses only those marked as the operator's own: others may be a friend's.
    """
    query = select(AddressRow).where(
        AddressRow.person_id == address.person_id,
        AddressRow.id != address.id,
        AddressRow.confirmed_at.is_not(None),
        AddressRow.off_since.is_(None),
    )
    if address.person.is_operator:
        query = query.where(or_(AddressRow.channel != "email", AddressRow.is_own))
    found = list(session.scalars(query.order_by(AddressRow.id)))
    return min(found, key=lambda each: (each.channel != "email", each.id), default=None)


def add_secret(session: Session, address: AddressRow, secret: str, wall: datetime) -> None:
    """Sign with a new secret from now on, and with the one before it as well until it is dropped."""
    address.secrets = [secret, *address.secrets[:1]]
    endpoint(session, address.id).secret_changed_at = wall
