"""Addresses: of a person, of a mailbox."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import Select, delete, func, select, update
from sqlalchemy.orm import Session

from service.store.repositories.people import REMOVED
from service.store.repositories.tokens import Purpose
from service.store.schema.core_tables import Address, Message, Person
from service.store.schema.delivery_tables import Endpoint, Token


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


def find_address(session: Session, person_id: int, channel: str, target: str) -> Address | None:
    """The person's address of that channel, spelled like that."""
    return session.scalar(
        select(Address).where(
            Address.person_id == person_id, Address.channel == channel, Address.target == target
        )
    )


def _mail(spellings: Collection[str]) -> Select[Address]:
    """A mailbox, in whichever of its spellings, with the person that each row of it hangs on."""
    return (
        select(Address)
        .join(Person, Person.id == Address.person_id)
        .where(Address.channel == "email", func.lower(Address.target).in_(spellings))
    )


_LETS_IN = Address.confirmed_at.is_not(None) & (Person.is_operator.is_(False) | Address.is_own)
"""What makes an address, joined with its person, one whose reader may sign in as that person."""
_HANGS = (Person.is_operator.is_(True), Address.is_own.is_(False), Address.confirmed_at.is_not(None))


def account_of(session: Session, spellings: Collection[str]) -> Address | None:
    """The address of a mailbox by which its reader signs in, on or off. Of several (only old stores hold
    such) one marked as the operator's own counts, then the oldest."""
    query = _mail(spellings).where(_LETS_IN).order_by(Address.is_own.desc(), Address.id)
    return session.scalars(query).first()


def unconfirmed_of(session: Session, spellings: Collection[str]) -> list[Address]:
    """The rows of a mailbox that its reader hasn't confirmed; oldest first."""
    query = _mail(spellings).where(Address.confirmed_at.is_(None))
    return list(session.scalars(query.order_by(Address.id)))


def mailbox_of(session: Session, spellings: Collection[str], person_id: int) -> Address | None:
    """The row of a mailbox among a person's addresses, confirmed or not."""
    return session.scalars(_mail(spellings).where(Address.person_id == person_id)).first()


def hanging_mailbox(session: Session, spellings: Collection[str]) -> Address | None:
    """The row of a mailbox that hangs on the operator without being marked as the operator's own."""
    return session.scalars(_mail(spellings).where(*_HANGS)).first()


def hanging_on_operator(session: Session) -> list[Address]:
    """Mail addresses that get the operator's messages and aren't marked as the operator's own."""
    query = select(Address).join(Person).where(Address.channel == "email", *_HANGS)
    return list(session.scalars(query.order_by(Address.id)))


def has_others(session: Session, address: Address) -> bool:
    """Whether its person has another address."""
    others = select(Address.id).where(Address.person_id == address.person_id, Address.id != address.id)
    return session.scalar(others.limit(1)) is not None


def oldest_mail(session: Session, person_id: int) -> str | None:
    """The mail address that the person confirmed first of those they still have."""
    query = select(Address.target).where(
        Address.person_id == person_id, Address.channel == "email", Address.confirmed_at.is_not(None)
    )
    return session.scalar(query.order_by(Address.id).limit(1))


def sign_in_addresses(session: Session, person_id: int | None) -> list[Address]:
    """The person's mail addresses to which a link to sign in may go, oldest first."""
    query = (
        select(Address)
        .join(Person, Person.id == Address.person_id)
        .where(Address.person_id == person_id, Address.channel == "email", _LETS_IN)
    )
    return list(session.scalars(query.order_by(Address.id)))


def hand_over(session: Session, address: Address, into: Address) -> None:
    """Let another row of the same mailbox have its messages and links; the row itself goes."""
    for kind in (Message, Token):
        session.execute(update(kind).where(kind.address_id == address.id).values(address_id=into.id))
    session.execute(delete(Endpoint).where(Endpoint.address_id == address.id))
    session.delete(address)
    session.flush()


def forget_sign_in_links(session: Session, address_id: int) -> None:
    session.execute(delete(Token).where(Token.address_id == address_id, Token.purpose == Purpose.SIGN_IN))
