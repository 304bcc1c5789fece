"""Alerts that were raised, each with what became of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from alerts.common.plain_values import value
from alerts.notifying.model import AlertKind, Why
from service.store.engine import in_chunks
from service.store.schema.core_tables import AlertRow, MessageAlertRow, MessageRow, SubscriptionRow


@value(frozen=True, slots=True)
class SentAlert:
    """An alert with the message that carries it. dropped: why it was left out of it, None where it wasn't."""

    alert: AlertRow
    message: MessageRow
    dropped: str | None


_RAISED = (
    select(AlertRow, MessageRow, MessageAlertRow.dropped)
    .join(MessageAlertRow, MessageAlertRow.alert_id == AlertRow.id)
    .join(MessageRow, MessageRow.id == MessageAlertRow.message_id)
)


def alerts_of_night(session: Session, subscription_id: int, night_name: date) -> list[SentAlert]:
    """What a subscription was to be told of a night, oldest first."""
    query = _RAISED.where(AlertRow.subscription_id == subscription_id, AlertRow.night_name == night_name)
    return [SentAlert(*row) for row in session.execute(query.order_by(AlertRow.id))]


def last_alerts(session: Session, site_id: int, person_id: int, *, most: int) -> list[SentAlert]:
    """The last alert of each night that a person was told of at a site; the newest nights first."""
    newest = (
        select(func.max(AlertRow.id))
        .join(SubscriptionRow, SubscriptionRow.id == AlertRow.subscription_id)
        .where(SubscriptionRow.site_id == site_id, SubscriptionRow.person_id == person_id)
        .group_by(AlertRow.night_name)
        .order_by(AlertRow.night_name.desc())
        .limit(most)
    )
    query = _RAISED.where(AlertRow.id.in_(newest)).order_by(AlertRow.night_name.desc())
    return [SentAlert(*row) for row in session.execute(query)]


def was_address_told(session: Session, address_id: int, site_id: int, night_name: date) -> bool:
    """Whether any alert of that site's night was raised for the address."""
    query = (
        select(AlertRow.id)
        .join(SubscriptionRow, SubscriptionRow.id == AlertRow.subscription_id)
        .where(
            SubscriptionRow.address_id == address_id,
            SubscriptionRow.site_id == site_id,
            AlertRow.night_name == night_name,
        )
    )
    return session.scalar(query.limit(1)) is not None


def alerts_in(session: Session, message_id: str) -> list[AlertRow]:
    """The alerts of a message, those that were dropped from it too."""
    query = select(AlertRow).join(MessageAlertRow, MessageAlertRow.alert_id == AlertRow.id)
    return list(session.scalars(query.where(MessageAlertRow.message_id == message_id)))


def alerts_between(session: Session, first: date, last: date) -> list[AlertRow]:
    """All alerts of those nights, oldest first."""
    return list(
        session.scalars(
            select(AlertRow).where(AlertRow.night_name.between(first, last)).order_by(AlertRow.id)
        )
    )


@value(frozen=True, slots=True)
class RaisedAlert:
    """An alert with how far it came. dropped: why it was left out of its message, None where it wasn't."""

    alert: AlertRow
    dropped: str | None
    status: str
    maybe_sent: bool


def alerts_raised(session: Session, subscription_ids: Sequence[int], first: date) -> Iterator[RaisedAlert]:
    """The alerts of these subscriptions for nights from `first` on; each one's oldest first."""
    for ids in in_chunks(subscription_ids):
        columns = AlertRow, MessageAlertRow.dropped, MessageRow.status, MessageRow.maybe_sent
        query = _RAISED.with_only_columns(*columns).where(
            AlertRow.subscription_id.in_(ids), AlertRow.night_name >= first
        )
        for row in session.execute(query.order_by(AlertRow.id)):
            yield RaisedAlert(*row)


_RINGS = (AlertKind.HEADS_UP, AlertKind.GO, AlertKind.CHANGED)


def count_rings(session: Session, address_ids: Iterable[int], since: datetime) -> dict[int, int]:
    """How many cycles made each of these addresses ring after that moment, warnings aside."""
    found: dict[int, int] = {}
    for ids in in_chunks(sorted(set(address_ids))):
        query = (
            select(SubscriptionRow.address_id, func.count(AlertRow.raised_at.distinct()))
            .join(AlertRow, AlertRow.subscription_id == SubscriptionRow.id)
            .where(
                SubscriptionRow.address_id.in_(ids),
                AlertRow.raised_at > since,
                AlertRow.kind.in_(_RINGS),
                AlertRow.why != Why.LAST_WORD,
            )
            .group_by(SubscriptionRow.address_id)
        )
        found |= {row[0]: row[1] for row in session.execute(query)}
    return found


def alerts_of_subscription(session: Session, subscription_id: int) -> list[AlertRow]:
    return list(session.scalars(select(AlertRow).where(AlertRow.subscription_id == subscription_id)))
