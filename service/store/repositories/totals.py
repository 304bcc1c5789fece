"""How much there is of what: for the operator's page, for metrics, for what one person may keep."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from service.store.repositories.messages import WAITING
from service.store.repositories.people import REMOVED
from service.store.schema.core_tables import (
    AddressRow,
    DecisionRow,
    ForecastRow,
    MessageRow,
    PersonRow,
    SiteRow,
    SubscriptionRow,
)
from service.store.schema.delivery_tables import DestinationRow, SuppressionRow, TroubleRow


def rows_kept(session: Session) -> list[tuple[str, int]]:
    """How many rows of people, sites, subscriptions and decisions, ended ones too."""
    return [
        (kind.__tablename__, session.scalar(select(func.count()).select_from(kind)) or 0)
        for kind in (PersonRow, SiteRow, SubscriptionRow, DecisionRow)
    ]


def messages_by_status(session: Session) -> dict[str, int]:
    return dict(session.execute(select(MessageRow.status, func.count()).group_by(MessageRow.status)).all())


def oldest_due(session: Session, now: datetime) -> datetime | None:
    """Since when the message that waits longest has been due; None when none is."""
    due = select(func.min(MessageRow.due_at)).where(MessageRow.status.in_(WAITING), MessageRow.due_at <= now)
    return session.scalar(due)


def newest_answers(session: Session) -> dict[str, datetime]:
    """By feed, when its last usable answer came."""
    query = select(ForecastRow.feed, func.max(ForecastRow.fetched_at)).where(ForecastRow.rejected.is_(None))
    return dict(session.execute(query.group_by(ForecastRow.feed)).all())


def refused_answers(session: Session) -> dict[str, int]:
    """By feed, how many of its answers couldn't be used."""
    query = select(ForecastRow.feed, func.count()).where(ForecastRow.rejected.is_not(None))
    return dict(session.execute(query.group_by(ForecastRow.feed)).all())


def decisions_by_verdict(session: Session) -> dict[str, int]:
    return dict(
        session.execute(select(DecisionRow.verdict, func.count()).group_by(DecisionRow.verdict)).all()
    )


def suppressed_by_reason(session: Session) -> dict[str, int]:
    query = select(SuppressionRow.reason, func.count()).group_by(SuppressionRow.reason)
    return dict(session.execute(query).all())


def resting_hosts(session: Session, now: datetime) -> list[DestinationRow]:
    """The hosts that get nothing for now."""
    return list(session.scalars(select(DestinationRow).where(DestinationRow.open_until > now)))


def open_troubles(session: Session) -> int:
    query = select(func.count()).select_from(TroubleRow).where(TroubleRow.ended_at.is_(None))
    return session.scalar(query) or 0


def sites_by_owner(session: Session) -> dict[int, int]:
    """How many sites in use each person has, their copies for others counted too."""
    query = (
        select(SiteRow.owner_id, func.count()).where(SiteRow.archived_at.is_(None)).group_by(SiteRow.owner_id)
    )
    return dict(session.execute(query).all())


def subscriptions_by_person(session: Session) -> dict[int, int]:
    """How many running subscriptions each person has."""
    query = select(SubscriptionRow.person_id, func.count()).where(SubscriptionRow.ended_at.is_(None))
    return dict(session.execute(query.group_by(SubscriptionRow.person_id)).all())


class Kept(StrEnum):
    """What a person keeps here, in the plural."""

    SITES = "sites"
    SUBSCRIPTIONS = "subscriptions"
    ADDRESSES = "addresses"


def kept_by(session: Session, person_id: int, kept: Kept) -> int:
    """How many of these the person keeps now; of sites, without the copies that others are told about."""
    match kept:
        case Kept.SITES:
            return _count(session, *_described_by(person_id), SiteRow.archived_at.is_(None))
        case Kept.SUBSCRIPTIONS:
            return _count(session, SubscriptionRow.person_id == person_id, SubscriptionRow.ended_at.is_(None))
        case Kept.ADDRESSES:
            is_kept = AddressRow.off_reason.is_distinct_from(REMOVED)
            return _count(session, AddressRow.person_id == person_id, is_kept)


def given_up_by(session: Session, person_id: int, kept: Kept, since: datetime) -> int:
    """How many of these the person has given up after that moment."""
    match kept:
        case Kept.SITES:
            return _count(session, *_described_by(person_id), SiteRow.archived_at > since)
        case Kept.SUBSCRIPTIONS:
            return _count(session, SubscriptionRow.person_id == person_id, SubscriptionRow.ended_at > since)
        case Kept.ADDRESSES:
            is_removed = (AddressRow.off_reason == REMOVED) & (AddressRow.off_since > since)
            return _count(session, AddressRow.person_id == person_id, is_removed)


def _described_by(person_id: int) -> tuple[ColumnElement[bool], ...]:
    return SiteRow.owner_id == person_id, SiteRow.rounded_of_id.is_(None)


def _count(session: Session, *held: ColumnElement[bool]) -> int:
    return session.scalar(select(func.count()).where(*held)) or 0
