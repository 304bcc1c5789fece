"""People: who runs this installation, who may keep sites here, where each sets out, and the addresses at
which they are told."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import Select, delete, func, select, update
from sqlalchemy.orm import Session

from alerts.field.trip_plan import Home
from service.store.repositories.subscriptions import estimate_drives, running_subscriptions
from service.store.repositories.tokens import Purpose
from service.store.schema.core_tables import AddressRow, MessageRow, PersonRow, SiteRow
from service.store.schema.delivery_tables import EndpointRow, TokenRow

REMOVED = "removed on the page"
"""Why an address is off that its person has removed: as rows keep it and queries find it, so not of the
catalogue."""
UNKNOWN_ZONE = "UTC"
"""The clock of a person of whom nothing is known yet; the first site tells (`sites.add_site`)."""


def find_people(session: Session, *, most: int) -> list[PersonRow]:
    """People, those who came first."""
    return list(session.scalars(select(PersonRow).order_by(PersonRow.id).limit(most)))


def find_operator(session: Session) -> PersonRow | None:
    """The person who runs this installation; None before the first use."""
    return session.scalar(select(PersonRow).where(PersonRow.is_operator).order_by(PersonRow.id))


def get_operator(session: Session, *, zone: str, now: datetime) -> PersonRow:
    """The person who runs this installation; made on first use."""
    operator = find_operator(session)
    if operator is None:
        operator = PersonRow(name="operator", zone=zone, is_operator=True, created_at=now)
        session.add(operator)
        session.flush()
    return operator


def may_keep(person: PersonRow, *, open_sign_up: bool) -> bool:
    """Whether they may keep sites here, and with it what costs the feeds and this machine: imports, keys for
    programs, verdicts on request. The operator gives the right, or open sign-up does to all."""
    return person.is_operator or person.may_keep_sites or open_sign_up


def keeping_without_right(session: Session) -> list[int]:
    """People who have sites here and weren't given the right to keep any."""
    query = (
        select(PersonRow.id)
        .join(SiteRow, SiteRow.owner_id == PersonRow.id)
        .where(
            SiteRow.archived_at.is_(None),
            PersonRow.is_operator.is_(False),
            PersonRow.may_keep_sites.is_(False),
        )
        .distinct()
    )
    return sorted(session.scalars(query))


def set_home(session: Session, person: PersonRow, home: Home | None) -> None:
    """Keep where they set out, rounded, or forget it; their drives are estimated anew and looked at again."""
    kept = home.rounded if home is not None else None
    person.home_lat_deg = kept.lat_deg if kept else None
    person.home_lon_deg = kept.lon_deg if kept else None
    person.home_speed_kmh = kept.speed_kmh if kept else None
    session.flush()
    estimate_drives(session, running_subscriptions(session, person_id=person.id))


def add_address(
    session: Session,
    person: PersonRow,
    channel: str,
    target: str,
    *,
    secrets: list[str],
    now: datetime,
    is_own: bool = False,
) -> AddressRow:
    """The person's address of that channel, confirmed by the operator's act; the old one if it exists.

    is_own: it is the operator's own, and lets its reader in.
    """
    known = find_address(session, person.id, channel, target)
    if known is not None:
        return known
    address = AddressRow(
        person=person,
        channel=channel,
        target=target,
        secrets=secrets,
        is_own=is_own,
        created_at=now,
        confirmed_at=now,
    )
    session.add(address)
    session.flush()
    return address


def find_addresses(session: Session, person_id: int | None = None) -> list[AddressRow]:
    """All addresses, removed ones too, of everybody or of one person; oldest first."""
    query = select(AddressRow).order_by(AddressRow.id)
    if person_id is not None:
        query = query.where(AddressRow.person_id == person_id)
    return list(session.scalars(query))


def own_mail(session: Session, person_id: int) -> list[AddressRow]:
    """A person's mail addresses that are marked as their own and weren't removed; oldest first."""
    query = select(AddressRow).where(
        AddressRow.person_id == person_id,
        AddressRow.channel == "email",
        AddressRow.is_own,
        AddressRow.off_reason.is_distinct_from(REMOVED),
    )
    return list(session.scalars(query.order_by(AddressRow.id)))


def awaiting_code(session: Session, person_id: int, now: datetime) -> list[AddressRow]:
    """A person's addresses that were sent a code that still works and haven't confirmed; oldest first."""
    query = (
        select(AddressRow)
        .join(TokenRow, TokenRow.address_id == AddressRow.id)
        .where(
            AddressRow.person_id == person_id,
            AddressRow.confirmed_at.is_(None),
            AddressRow.off_since.is_(None),
            TokenRow.purpose == Purpose.CHALLENGE,
            TokenRow.used_at.is_(None),
            TokenRow.expires_at > now,
        )
        .order_by(AddressRow.id)
    )
    return list(session.scalars(query))


def find_address(session: Session, person_id: int, channel: str, target: str) -> AddressRow | None:
    """The person's address of that channel, spelled like that."""
    return session.scalar(
        select(AddressRow).where(
            AddressRow.person_id == person_id, AddressRow.channel == channel, AddressRow.target == target
        )
    )


def _mail(spellings: Collection[str]) -> Select[AddressRow]:
    """A mailbox, in whichever of its spellings, with the person that each row of it hangs on."""
    return (
        select(AddressRow)
        .join(PersonRow, PersonRow.id == AddressRow.person_id)
        .where(AddressRow.channel == "email", func.lower(AddressRow.target).in_(spellings))
    )


_LETS_IN = AddressRow.confirmed_at.is_not(None) & (PersonRow.is_operator.is_(False) | AddressRow.is_own)
"""What makes an address, joined with its person, one whose reader may sign in as that person."""
_HANGS = (PersonRow.is_operator.is_(True), AddressRow.is_own.is_(False), AddressRow.confirmed_at.is_not(None))


def account_of(session: Session, spellings: Collection[str]) -> AddressRow | None:
    """The address of a mailbox by which its reader signs in, on or off. Of several (only old stores hold
    such) one marked as the operator's own counts, then the oldest."""
    query = _mail(spellings).where(_LETS_IN).order_by(AddressRow.is_own.desc(), AddressRow.id)
    return session.scalars(query).first()


def unconfirmed_of(session: Session, spellings: Collection[str]) -> list[AddressRow]:
    """The rows of a mailbox that its reader hasn't confirmed; oldest first."""
    query = _mail(spellings).where(AddressRow.confirmed_at.is_(None))
    return list(session.scalars(query.order_by(AddressRow.id)))


def mailbox_of(session: Session, spellings: Collection[str], person_id: int) -> AddressRow | None:
    """The row of a mailbox among a person's addresses, confirmed or not."""
    return session.scalars(_mail(spellings).where(AddressRow.person_id == person_id)).first()


def hanging_mailbox(session: Session, spellings: Collection[str]) -> AddressRow | None:
    """The row of a mailbox that hangs on the operator without being marked as the operator's own."""
    return session.scalars(_mail(spellings).where(*_HANGS)).first()


def hanging_on_operator(session: Session) -> list[AddressRow]:
    """Mail addresses that get the operator's messages and aren't marked as the operator's own."""
    query = select(AddressRow).join(PersonRow).where(AddressRow.channel == "email", *_HANGS)
    return list(session.scalars(query.order_by(AddressRow.id)))


def has_others(session: Session, address: AddressRow) -> bool:
    """Whether its person has another address."""
    others = select(AddressRow.id).where(
        AddressRow.person_id == address.person_id, AddressRow.id != address.id
    )
    return session.scalar(others.limit(1)) is not None


def oldest_mail(session: Session, person_id: int) -> str | None:
    """The mail address that the person confirmed first of those they still have."""
    query = select(AddressRow.target).where(
        AddressRow.person_id == person_id, AddressRow.channel == "email", AddressRow.confirmed_at.is_not(None)
    )
    return session.scalar(query.order_by(AddressRow.id).limit(1))


def sign_in_addresses(session: Session, person_id: int | None) -> list[AddressRow]:
    """The person's mail addresses to which a link to sign in may go, oldest first."""
    query = (
        select(AddressRow)
        .join(PersonRow, PersonRow.id == AddressRow.person_id)
        .where(AddressRow.person_id == person_id, AddressRow.channel == "email", _LETS_IN)
    )
    return list(session.scalars(query.order_by(AddressRow.id)))


def hand_over(session: Session, address: AddressRow, into: AddressRow) -> None:
    """Let another row of the same mailbox have its messages and links; the row itself goes."""
    for kind in (MessageRow, TokenRow):
        session.execute(update(kind).where(kind.address_id == address.id).values(address_id=into.id))
    session.execute(delete(EndpointRow).where(EndpointRow.address_id == address.id))
    session.delete(address)
    session.flush()


def forget_sign_in_links(session: Session, address_id: int) -> None:
    session.execute(
        delete(TokenRow).where(TokenRow.address_id == address_id, TokenRow.purpose == Purpose.SIGN_IN)
    )
