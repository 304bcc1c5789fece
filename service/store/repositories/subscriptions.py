"""Which subscriptions there are: of a site, of an address, of a person. What is done to one: `people`."""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.repositories.rounded_sites import with_copy
from service.store.schema.core_tables import Subscription


def running_at(
    session: Session, site_ids: Collection[int], person_id: int | None = None
) -> list[Subscription]:
    """The running ones to these sites, of everybody or of one person; oldest first."""
    query = select(Subscription).where(Subscription.site_id.in_(site_ids), Subscription.ended_at.is_(None))
    if person_id is not None:
        query = query.where(Subscription.person_id == person_id)
    return list(session.scalars(query.order_by(Subscription.id)))


def running_of_address(session: Session, address_id: int) -> list[Subscription]:
    query = select(Subscription).where(Subscription.address_id == address_id, Subscription.ended_at.is_(None))
    return list(session.scalars(query.order_by(Subscription.id)))


def is_person_told(session: Session, site_id: int, person_id: int) -> bool:
    """Whether a person is told of that site now."""
    query = select(Subscription.id).where(
        Subscription.site_id == site_id, Subscription.person_id == person_id, Subscription.ended_at.is_(None)
    )
    return session.scalar(query.limit(1)) is not None


def is_address_told(session: Session, site_id: int, address_id: int) -> bool:
    """Whether an address is told of that site now."""
    query = select(Subscription.id).where(
        Subscription.site_id == site_id,
        Subscription.address_id == address_id,
        Subscription.ended_at.is_(None),
    )
    return session.scalar(query.limit(1)) is not None


def newest_at(session: Session, site_id: int, person_id: int | None = None) -> int | None:
    """The number of the newest running one to a site or its copy, of everybody or of one person."""
    query = select(Subscription.id).where(
        Subscription.site_id.in_(with_copy(site_id)), Subscription.ended_at.is_(None)
    )
    if person_id is not None:
        query = query.where(Subscription.person_id == person_id)
    return session.scalar(query.order_by(Subscription.id.desc()).limit(1))


def oldest_by_site(session: Session, site_ids: Collection[int], person_id: int) -> dict[int, int]:
    """For each of these sites the number of that person's oldest running one."""
    query = select(Subscription.site_id, Subscription.id).where(
        Subscription.person_id == person_id,
        Subscription.site_id.in_(site_ids),
        Subscription.ended_at.is_(None),
    )
    oldest: dict[int, int] = {}
    for site_id, number in session.execute(query.order_by(Subscription.id)):
        oldest.setdefault(site_id, number)
    return oldest
