"""Addresses: of a person, of a mailbox."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.repositories.people import REMOVED
from service.store.repositories.tokens import Purpose
from service.store.schema.core_tables import Address
from service.store.schema.delivery_tables import Token


def find_addresses(session: Session, person_id: int | None = None) -> list[Address]:
    """All addresses, removed ones too, of everybody or of one person; oldest first."""
    query = select(Address).order_by(Address.id)
    if person_id is not None:
        query = query.where(Address.person_id == person_id)
    return list(session.scalars(query))


def own_mail(session: Session, person_id: int) -> list[Address]:
    """A person's mail addresses that are marked as their own and weren't removed; oldest first."""
    query = select(Address).where(
        Address.person_id == person_id,
        Address.channel == "email",
        Address.is_own,
        Address.off_reason.is_distinct_from(REMOVED),
    )
    return list(session.scalars(query.order_by(Address.id)))


def awaiting_code(session: Session, person_id: int, now: datetime) -> list[Address]:
    """A person's addresses that were sent a code that still works and haven't confirmed; oldest first."""
    query = (
        select(Address)
        .join(Token, Token.address_id == Address.id)
        .where(
            Address.person_id == person_id,
            Address.confirmed_at.is_(None),
            Address.off_since.is_(None),
            Token.purpose == Purpose.CHALLENGE,
            Token.used_at.is_(None),
            Token.expires_at > now,
        )
        .order_by(Address.id)
    )
    return list(session.scalars(query))
