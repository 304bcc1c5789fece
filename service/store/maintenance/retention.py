"""How long rows are kept. Decisions and the alerts' uniqueness don't depend on anything removed here."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import delete, or_, select
from sqlalchemy.orm import Session, sessionmaker

from service.store.maintenance.personal_data import delete_messages
from service.store.repositories import operator_alerts, rate_limits
from service.store.repositories.messages import UNSETTLED
from service.store.schema.core_tables import (
    AddressRow,
    AlertRow,
    AttemptRow,
    DecisionRow,
    MessageAlertRow,
    MessageRow,
    OutcomeRow,
    PersonRow,
    SiteRow,
    SubscriptionRow,
)
from service.store.schema.delivery_tables import AskingRow, BounceRow, EndpointRow, TokenRow

BLOCK = 1000
"""Rows removed in one transaction, so that nobody waits long for the store."""
TOKENS_KEPT = timedelta(days=30)
BOUNCES_KEPT = timedelta(days=365)
UNCONFIRMED_KEPT = timedelta(days=7)
"""An address that was typed into a page and never confirmed is forgotten after this."""
OLD_SECRETS_SIGN = timedelta(days=7)
"""How long a replaced signing secret still signs beside the new one."""


def prune(
    sessions: sessionmaker[Session], now: datetime, *, attempts_days: int, messages_days: int
) -> dict[str, int]:
    """Remove what is older than it is kept; how many rows of what."""
    counts = {
        "attempts": _prune_attempts(sessions, now - timedelta(days=attempts_days)),
        "messages": _prune_messages(sessions, now - timedelta(days=messages_days)),
        "addresses": _prune_unconfirmed(sessions, now - UNCONFIRMED_KEPT),
    }
    with sessions.begin() as session:
        old = now - TOKENS_KEPT
        session.execute(delete(TokenRow).where(or_(TokenRow.expires_at < old, TokenRow.used_at < old)))
        session.execute(delete(BounceRow).where(BounceRow.seen_at < now - BOUNCES_KEPT))
        rate_limits.forget_full(session, now)
        operator_alerts.forget_old(session, now)
        replaced = session.scalars(
            select(AddressRow)
            .join(EndpointRow, EndpointRow.address_id == AddressRow.id)
            .where(EndpointRow.secret_changed_at < now - OLD_SECRETS_SIGN)
        )
        for row in replaced:
            row.secrets = row.secrets[:1]  # the old one signs no more
    return {name: count for name, count in counts.items() if count}


def _prune_attempts(sessions: sessionmaker[Session], before: datetime) -> int:
    removed = 0
    while True:
        with sessions.begin() as session:
            ids = session.scalars(
                select(AttemptRow.id).where(AttemptRow.ended_at < before).limit(BLOCK)
            ).all()
            session.execute(delete(AttemptRow).where(AttemptRow.id.in_(ids)))
        removed += len(ids)
        if len(ids) < BLOCK:
            return removed


def _prune_messages(sessions: sessionmaker[Session], before: datetime) -> int:
    """Settled messages with their alerts; an alert that another message carries stays."""
    removed = 0
    while True:
        with sessions.begin() as session:
            ids = session.scalars(
                select(MessageRow.id)
                .where(MessageRow.status.not_in(UNSETTLED), MessageRow.settled_at < before)
                .limit(BLOCK)
            ).all()
            alerts = session.scalars(
                select(MessageAlertRow.alert_id).where(MessageAlertRow.message_id.in_(ids))
            ).all()
            delete_messages(session, ids)
            carried = select(MessageAlertRow.alert_id)
            session.execute(delete(AlertRow).where(AlertRow.id.in_(alerts), AlertRow.id.not_in(carried)))
        removed += len(ids)
        if len(ids) < BLOCK:
            return removed


def _prune_unconfirmed(sessions: sessionmaker[Session], before: datetime) -> int:
    """Addresses that strangers gave and never confirmed, with the subscriptions that waited for it."""
    with sessions.begin() as session:
        rows = session.scalars(
            select(AddressRow)
            .join(PersonRow, PersonRow.id == AddressRow.person_id)
            .where(
                AddressRow.confirmed_at.is_(None),
                AddressRow.off_since.is_(None),
                AddressRow.created_at < before,
                PersonRow.is_operator.is_(False),
            )
            .limit(BLOCK)
        ).all()
        forgotten = [address for address in rows if _forget(session, address)]
        for person_id in {address.person_id for address in forgotten}:
            _forget_person(session, person_id)
        session.execute(delete(AskingRow).where(AskingRow.last_at < before - BOUNCES_KEPT))
    return len(forgotten)


def _forget(session: Session, address: AddressRow) -> bool:
    """Remove the address unless a decision rests on one of its subscriptions."""
    mine = select(SubscriptionRow.id).where(SubscriptionRow.address_id == address.id)
    if session.scalar(select(DecisionRow.id).where(DecisionRow.subscription_id.in_(mine)).limit(1)):
        return False
    ids = session.scalars(select(MessageRow.id).where(MessageRow.address_id == address.id)).all()
    delete_messages(session, ids)
    session.execute(delete(SubscriptionRow).where(SubscriptionRow.address_id == address.id))
    session.execute(delete(TokenRow).where(TokenRow.address_id == address.id))
    session.execute(delete(EndpointRow).where(EndpointRow.address_id == address.id))
    session.delete(address)
    session.flush()
    return True


def _forget_person(session: Session, person_id: int) -> None:
    """Remove somebody of whom nothing else is stored."""
    for kind in (AddressRow, SubscriptionRow, TokenRow, OutcomeRow):
        if session.scalar(select(kind.id).where(kind.person_id == person_id).limit(1)):
            return
    if session.scalar(select(SiteRow.id).where(SiteRow.owner_id == person_id).limit(1)):
        return
    session.execute(delete(PersonRow).where(PersonRow.id == person_id))
