"""Alerts that were raised, each with what became of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from alerts.common.plain_values import value
from alerts.notifying.model import AlertKind, Why
from service.store.engine import in_chunks
from service.store.schema.core_tables import Alert, Message, MessageAlert, Subscription


@value(frozen=True, slots=True)
class SentAlert:
    """An alert with the message that carries it. dropped: why it was left out of it, None where it wasn't."""

    alert: Alert
    message: Message
    dropped: str | None


def alerts_of_night(session: Session, subscription_id: int, night_name: date) -> list[SentAlert]:
    """What a subscription was to be told of a night, oldest first."""
    query = (
        select(Alert, Message, MessageAlert.dropped)
        .join(MessageAlert, MessageAlert.alert_id == Alert.id)
        .join(Message, Message.id == MessageAlert.message_id)
        .where(Alert.subscription_id == subscription_id, Alert.night_name == night_name)
        .order_by(Alert.id)
    )
    return [SentAlert(*row) for row in session.execute(query)]


def last_alerts(session: Session, site_id: int, person_id: int, *, most: int) -> list[SentAlert]:
    """The last alert of each night that a person was told of at a site; the newest nights first."""
    newest = (
        select(func.max(Alert.id))
        .join(Subscription, Subscription.id == Alert.subscription_id)
        .where(Subscription.site_id == site_id, Subscription.person_id == person_id)
        .group_by(Alert.night_name)
        .order_by(Alert.night_name.desc())
        .limit(most)
    )
    query = (
        select(Alert, Message, MessageAlert.dropped)
        .join(MessageAlert, MessageAlert.alert_id == Alert.id)
        .join(Message, Message.id == MessageAlert.message_id)
        .where(Alert.id.in_(newest))
        .order_by(Alert.night_name.desc())
    )
    return [SentAlert(*row) for row in session.execute(query)]


def was_address_told(session: Session, address_id: int, site_id: int, night_name: date) -> bool:
    """Whether any alert of that site's night was raised for the address."""
    query = (
        select(Alert.id)
        .join(Subscription, Subscription.id == Alert.subscription_id)
        .where(
            Subscription.address_id == address_id,
            Subscription.site_id == site_id,
            Alert.night_name == night_name,
        )
    )
    return session.scalar(query.limit(1)) is not None


def alerts_in(session: Session, message_id: str) -> list[Alert]:
    """The alerts of a message, those that were dropped from it too."""
    query = select(Alert).join(MessageAlert, MessageAlert.alert_id == Alert.id)
    return list(session.scalars(query.where(MessageAlert.message_id == message_id)))


def alerts_between(session: Session, first: date, last: date) -> list[Alert]:
    """All alerts of those nights, oldest first."""
    return list(
        session.scalars(select(Alert).where(Alert.night_name.between(first, last)).order_by(Alert.id))
    )


@value(frozen=True, slots=True)
class RaisedAlert:
    """An alert with how far it came. dropped: why it was left out of its message, None where it wasn't."""

    alert: Alert
    dropped: str | None
    status: str
    maybe_sent: bool


def alerts_raised(session: Session, subscription_ids: Sequence[int], first: date) -> Iterator[RaisedAlert]:
    """The alerts of these subscriptions for nights from `first` on; each one's oldest first."""
    for ids in in_chunks(subscription_ids):
        query = (
            select(Alert, MessageAlert.dropped, Message.status, Message.maybe_sent)
            .join(MessageAlert, MessageAlert.alert_id == Alert.id)
            .join(Message, Message.id == MessageAlert.message_id)
            .where(Alert.subscription_id.in_(ids), Alert.night_name >= first)
            .order_by(Alert.id)
        )
        for row in session.execute(query):
            yield RaisedAlert(*row)


_RINGS = (AlertKind.HEADS_UP, AlertKind.GO, AlertKind.CHANGED)


def count_rings(session: Session, address_ids: Iterable[int], since: datetime) -> dict[int, int]:
    """How many cycles made each of these addresses ring after that moment, warnings aside."""
    found: dict[int, int] = {}
    for ids in in_chunks(sorted(set(address_ids))):
        query = (
            select(Subscription.address_id, func.count(Alert.raised_at.distinct()))
            .join(Alert, Alert.subscription_id == Subscription.id)
            .where(
                Subscription.address_id.in_(ids),
                Alert.raised_at > since,
                Alert.kind.in_(_RINGS),
                Alert.why != Why.LAST_WORD,
            )
            .group_by(Subscription.address_id)
        )
        found |= {row[0]: row[1] for row in session.execute(query)}
    return found


def alerts_of_subscription(session: Session, subscription_id: int) -> list[Alert]:
    return list(session.scalars(select(Alert).where(Alert.subscription_id == subscription_id)))
