"""Addresses: of a person, of a mailbox."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.schema.core_tables import Address


def find_addresses(session: Session, person_id: int | None = None) -> list[Address]:
    """All addresses, removed ones too, of everybody or of one person; oldest first."""
    query = select(Address).order_by(Address.id)
    if person_id is not None:
        query = query.where(Address.person_id == person_id)
    return list(session.scalars(query))
