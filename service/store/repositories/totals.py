"""How much there is of what: for the operator's page, for metrics, for what one person may keep."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from service.store.repositories.messages import WAITING
from service.store.repositories.people import REMOVED
from service.store.schema.core_tables import (
    Address,
    Decision,
    Forecast,
    Message,
    Person,
    Site,
    Subscription,
)
from service.store.schema.delivery_tables import Destination, Suppression, Trouble


def rows_kept(session: Session) -> list[tuple[str, int]]:
    """How many rows of people, sites, subscriptions and decisions, ended ones too."""
    return [
        (kind.__tablename__, session.scalar(select(func.count()).select_from(kind)) or 0)
        for kind in (Person, Site, Subscription, Decision)
    ]


def messages_by_status(session: Session) -> dict[str, int]:
    return dict(session.execute(select(Message.status, func.count()).group_by(Message.status)).all())


def oldest_due(session: Session, now: datetime) -> datetime | None:
    """Since when the message that waits longest has been due; None when none is."""
    due = select(func.min(Message.due_at)).where(Message.status.in_(WAITING), Message.due_at <= now)
    return session.scalar(due)


def newest_answers(session: Session) -> dict[str, datetime]:
    """By feed, when its last usable answer came."""
    query = select(Forecast.feed, func.max(Forecast.fetched_at)).where(Forecast.rejected.is_(None))
    return dict(session.execute(query.group_by(Forecast.feed)).all())


def refused_answers(session: Session) -> dict[str, int]:
    """By feed, how many of its answers couldn't be used."""
    query = select(Forecast.feed, func.count()).where(Forecast.rejected.is_not(None))
    return dict(session.execute(query.group_by(Forecast.feed)).all())


def decisions_by_verdict(session: Session) -> dict[str, int]:
    return dict(session.execute(select(Decision.verdict, func.count()).group_by(Decision.verdict)).all())


def suppressed_by_reason(session: Session) -> dict[str, int]:
    query = select(Suppression.reason, func.count()).group_by(Suppression.reason)
    return dict(session.execute(query).all())


def resting_hosts(session: Session, now: datetime) -> list[Destination]:
    """The hosts that get nothing for now."""
    return list(session.scalars(select(Destination).where(Destination.open_until > now)))


def open_troubles(session: Session) -> int:
    query = select(func.count()).select_from(Trouble).where(Trouble.ended_at.is_(None))
    return session.scalar(query) or 0


def sites_by_owner(session: Session) -> dict[int, int]:
    """How many sites in use each person has, their copies for others counted too."""
    query = select(Site.owner_id, func.count()).where(Site.archived_at.is_(None)).group_by(Site.owner_id)
    return dict(session.execute(query).all())


def subscriptions_by_person(session: Session) -> dict[int, int]:
    """How many running subscriptions each person has."""
    query = select(Subscription.person_id, func.count()).where(Subscription.ended_at.is_(None))
    return dict(session.execute(query.group_by(Subscription.person_id)).all())


class Kept(StrEnum):
    """What a person keeps here, in the plural."""

    SITES = "sites"
    SUBSCRIPTIONS = "subscriptions"
    ADDRESSES = "addresses"


def kept_by(session: Session, person_id: int, kept: Kept) -> int:
    """How many of these the person keeps now; of sites, without the copies that others are told about."""
    match kept:
        case Kept.SITES:
            return _count(session, *_described_by(person_id), Site.archived_at.is_(None))
        case Kept.SUBSCRIPTIONS:
            return _count(session, Subscription.person_id == person_id, Subscription.ended_at.is_(None))
        case Kept.ADDRESSES:
            is_kept = Address.off_reason.is_distinct_from(REMOVED)
            return _count(session, Address.person_id == person_id, is_kept)


def given_up_by(session: Session, person_id: int, kept: Kept, since: datetime) -> int:
    """How many of these the person has given up after that moment."""
    match kept:
        case Kept.SITES:
            return _count(session, *_described_by(person_id), Site.archived_at > since)
        case Kept.SUBSCRIPTIONS:
            return _count(session, Subscription.person_id == person_id, Subscription.ended_at > since)
        case Kept.ADDRESSES:
            is_removed = (Address.off_reason == REMOVED) & (Address.off_since > since)
            return _count(session, Address.person_id == person_id, is_removed)


def _described_by(person_id: int) -> tuple[ColumnElement[bool], ...]:
    return Site.owner_id == person_id, Site.rounded_of_id.is_(None)


def _count(session: Session, *held: ColumnElement[bool]) -> int:
    return session.scalar(select(func.count()).where(*held)) or 0
