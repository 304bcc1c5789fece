"""Which subscriptions there are: of a site, of an address, of a person. What is done to one: `people`."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import date, datetime

from sqlalchemy import ColumnElement, or_, select, update
from sqlalchemy.orm import Session

from alerts.common.plain_values import value
from service.store.engine import in_chunks
from service.store.repositories.people import is_active
from service.store.repositories.rounded_sites import with_copy
from service.store.schema.core_tables import AddressRow, DecisionRow, PersonRow, SiteRow, SubscriptionRow


def running_at(
    session: Session, site_ids: Collection[int], person_id: int | None = None
) -> list[SubscriptionRow]:
    """The running ones to these sites, of everybody or of one person; oldest first."""
    query = select(SubscriptionRow).where(
        SubscriptionRow.site_id.in_(site_ids), SubscriptionRow.ended_at.is_(None)
    )
    if person_id is not None:
        query = query.where(SubscriptionRow.person_id == person_id)
    return list(session.scalars(query.order_by(SubscriptionRow.id)))


def running_of_address(session: Session, address_id: int) -> list[SubscriptionRow]:
    query = select(SubscriptionRow).where(
        SubscriptionRow.address_id == address_id, SubscriptionRow.ended_at.is_(None)
    )
    return list(session.scalars(query.order_by(SubscriptionRow.id)))


def is_person_told(session: Session, site_id: int, person_id: int) -> bool:
    """Whether a person is told of that site now."""
    query = select(SubscriptionRow.id).where(
        SubscriptionRow.site_id == site_id,
        SubscriptionRow.person_id == person_id,
        SubscriptionRow.ended_at.is_(None),
    )
    return session.scalar(query.limit(1)) is not None


def is_address_told(session: Session, site_id: int, address_id: int) -> bool:
    """Whether an address is told of that site now."""
    query = select(SubscriptionRow.id).where(
        SubscriptionRow.site_id == site_id,
        SubscriptionRow.address_id == address_id,
        SubscriptionRow.ended_at.is_(None),
    )
    return session.scalar(query.limit(1)) is not None


def newest_at(session: Session, site_id: int, person_id: int | None = None) -> int | None:
    """The number of the newest running one to a site or its copy, of everybody or of one person."""
    query = select(SubscriptionRow.id).where(
        SubscriptionRow.site_id.in_(with_copy(site_id)), SubscriptionRow.ended_at.is_(None)
    )
    if person_id is not None:
        query = query.where(SubscriptionRow.person_id == person_id)
    return session.scalar(query.order_by(SubscriptionRow.id.desc()).limit(1))


def oldest_by_site(session: Session, site_ids: Collection[int], person_id: int) -> dict[int, int]:
    """For each of these sites the number of that person's oldest running one."""
    query = select(SubscriptionRow.site_id, SubscriptionRow.id).where(
        SubscriptionRow.person_id == person_id,
        SubscriptionRow.site_id.in_(site_ids),
        SubscriptionRow.ended_at.is_(None),
    )
    oldest: dict[int, int] = {}
    for site_id, number in session.execute(query.order_by(SubscriptionRow.id)):
        oldest.setdefault(site_id, number)
    return oldest


def told_of_night(session: Session, site_id: int, night_name: date) -> list[SubscriptionRow]:
    """The running ones to a site or its copy, and those that ended since and were judged for that night."""
    judged = select(DecisionRow.subscription_id).where(DecisionRow.night_name == night_name)
    query = select(SubscriptionRow).where(
        SubscriptionRow.site_id.in_(with_copy(site_id)),
        or_(SubscriptionRow.ended_at.is_(None), SubscriptionRow.id.in_(judged)),
    )
    return list(session.scalars(query.order_by(SubscriptionRow.id)))


@value(frozen=True, slots=True)
class SubscriptionFacts:
    """A subscription in few columns, as far as it matters for whether it can ring.

    shortest, trips: of its wishes, as JSON texts.
    """

    number: int
    site_id: int
    site_name: str
    limit_pct: int
    shortest: str
    trips_only: bool | None
    trips: str | None
    paused_until: datetime | None
    ended_at: datetime | None
    address_id: int
    channel: str
    target: str
    confirmed_at: datetime | None
    off_since: datetime | None
    off_reason: str | None


def facts_of(session: Session, number: int) -> SubscriptionFacts:
    """Those of one subscription, ended or not."""
    return next(_facts(session, SubscriptionRow.id == number))


def facts_at(session: Session, site_id: int, person_id: int | None = None) -> list[SubscriptionFacts]:
    """Those of the running subscriptions to a site or its copy, of everybody or of one person."""
    mine = [] if person_id is None else [SubscriptionRow.person_id == person_id]
    return list(_facts(session, SubscriptionRow.site_id.in_(with_copy(site_id)), *_RUNNING, *mine))


def facts_concerning(session: Session, person_id: int | None) -> list[SubscriptionFacts]:
    """Those of all running subscriptions, or of a person's; the operator's are also those that they have
    others told by."""
    if person_id is None:
        return list(_facts(session, *_RUNNING))
    mine = SubscriptionRow.person_id == person_id
    is_operator = session.get_one(PersonRow, person_id).is_operator
    return list(_facts(session, *_RUNNING, mine | (SiteRow.owner_id == person_id) if is_operator else mine))


_RUNNING = (SubscriptionRow.ended_at.is_(None), SiteRow.archived_at.is_(None))


def _facts(session: Session, *which: ColumnElement[bool]) -> Iterator[SubscriptionFacts]:
    row = SubscriptionRow
    query = (
        select(
            row.id,
            row.site_id,
            SiteRow.name,
            row.wishes["chance_go_pct"].as_integer(),
            row.wishes["shortest_window"].as_string(),
            row.wishes["trips_only"].as_boolean(),
            row.wishes["trips"].as_string(),
            row.paused_until,
            row.ended_at,
            AddressRow.id,
            AddressRow.channel,
            AddressRow.target,
            AddressRow.confirmed_at,
            AddressRow.off_since,
            AddressRow.off_reason,
        )
        .join(AddressRow, AddressRow.id == row.address_id)
        .join(SiteRow, SiteRow.id == row.site_id)
        .where(*which)
        .order_by(row.id)
    )
    return (SubscriptionFacts(*each) for each in session.execute(query))


def subscriptions_by_id(session: Session, ids: Collection[int]) -> dict[int, SubscriptionRow]:
    """These subscriptions by their number, ended or not."""
    return {
        row.id: row for row in session.scalars(select(SubscriptionRow).where(SubscriptionRow.id.in_(ids)))
    }


def active_of_addresses(session: Session, address_ids: Collection[int], now: datetime) -> set[int]:
    """The numbers of the subscriptions of these addresses that are judged now."""
    found = set[int]()
    for ids in in_chunks(sorted(address_ids)):
        query = (
            select(SubscriptionRow.id)
            .join(AddressRow, AddressRow.id == SubscriptionRow.address_id)
            .join(SiteRow, SiteRow.id == SubscriptionRow.site_id)
            .where(*is_active(now), SubscriptionRow.address_id.in_(ids))
        )
        found.update(session.scalars(query))
    return found


def end_subscriptions(session: Session, ids: Collection[int], now: datetime, why: str) -> None:
    """End these for good."""
    if ids:
        ending = (
            update(SubscriptionRow).where(SubscriptionRow.id.in_(ids)).values(ended_at=now, ended_why=why)
        )
        session.execute(ending.execution_options(synchronize_session=False))


def end_of_address(session: Session, address_id: int, now: datetime) -> None:
    """End all that runs at an address."""
    session.execute(
        update(SubscriptionRow)
        .where(SubscriptionRow.address_id == address_id, SubscriptionRow.ended_at.is_(None))
        .values(ended_at=now)
    )


def subscriptions_of_address(session: Session, address_id: int) -> list[SubscriptionRow]:
    """All of an address, ended ones too."""
    return list(session.scalars(select(SubscriptionRow).where(SubscriptionRow.address_id == address_id)))
