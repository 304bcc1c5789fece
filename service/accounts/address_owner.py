"""Whose a mail address is.

An address is its own person. It joins another person's account only when its reader says so in the mail
that asks; until then what somebody typed in belongs to nobody but them. Of the operator's addresses only
those marked as the operator's own let their reader in.
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ColumnElement, Select, delete, func, select, update
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.judging.privacy import discreet_facts
from alerts.sites.model import Site
from service.accounts.notices.text import NoticeKind
from service.channels.email_message import mail_spellings
from service.common.redaction import mask_mail
from service.store.json_values import from_json
from service.store.maintenance.personal_data import delete_messages
from service.store.repositories import people, rounded_sites
from service.store.repositories.tokens import Purpose
from service.store.schema import core_tables
from service.store.schema.delivery_tables import Endpoint, Notice, Token

TOLD_THERE = "the same address is told of this site already"
_OF_OTHER_ADDRESSES = (NoticeKind.ENDPOINT_FAILING, NoticeKind.ENDPOINT_OFF, NoticeKind.OPERATOR)
"""Notices that tell the owner of one address how another fares."""


def lets_in() -> ColumnElement[bool]:
    """What makes an address, joined with its person, one whose reader may sign in as that person."""
    return core_tables.Address.confirmed_at.is_not(None) & (
        core_tables.Person.is_operator.is_(False) | core_tables.Address.is_own
    )


def find_account(session: Session, email: str) -> core_tables.Address | None:
    """The address, however it is spelled, of the person that its reader signs in as; on or off.

    Of several (only old stores hold such) one marked as the operator's own counts, then the oldest.
    """
    query = _of_mail(email).where(lets_in())
    return session.scalars(query.order_by(core_tables.Address.is_own.desc(), core_tables.Address.id)).first()


def find_pending(session: Session, email: str) -> core_tables.Address | None:
    """The address as it waits to become its own person; None when nobody asked for that."""
    rows = session.scalars(
        _of_mail(email).where(core_tables.Address.confirmed_at.is_(None)).order_by(core_tables.Address.id)
    )
    return next((row for row in rows if not is_joining(session, row)), None)


def find_on_operator(session: Session, email: str) -> core_tables.Address | None:
    """The address as it hangs on the operator without being marked as the operator's own."""
    return session.scalars(_of_mail(email).where(*_hangs())).first()


def get_person(session: Session, named: str) -> core_tables.Person:
    """The person of that number, or whose own the mail address is; BadInput when there is none."""
    if named.isdigit():
        person = session.get(core_tables.Person, int(named))
    else:
        address = find_account(session, named) or find_pending(session, named)
        person = address.person if address is not None else None
    if person is not None:
        return person
    hanging = find_on_operator(session, named)
    if hanging is not None:
        raise BadInput(
            f"{named} hangs on you; make it a person first: duskbell address give-away {hanging.id}"
        )
    raise BadInput(f"nobody here has the number or mail address {named!r}.")


def hanging_on_operator(session: Session) -> list[core_tables.Address]:
    """Mail addresses that get the operator's messages and aren't marked as the operator's own."""
    query = (
        select(core_tables.Address)
        .join(core_tables.Person)
        .where(core_tables.Address.channel == "email", *_hangs())
    )
    return list(session.scalars(query.order_by(core_tables.Address.id)))


def _hangs() -> tuple[ColumnElement[bool], ...]:
    return (
        core_tables.Person.is_operator.is_(True),
        core_tables.Address.is_own.is_(False),
        core_tables.Address.confirmed_at.is_not(None),
    )


def _of_mail(email: str) -> Select[core_tables.Address]:
    return (
        select(core_tables.Address)
        .join(core_tables.Person, core_tables.Person.id == core_tables.Address.person_id)
        .where(
            core_tables.Address.channel == "email",
            func.lower(core_tables.Address.target).in_(mail_spellings(email)),
        )
    )


def is_joining(session: Session, address: core_tables.Address) -> bool:
    """Whether confirming it would join it to an account that somebody has already, not make one."""
    if address.confirmed_at is not None:
        return False
    others = select(core_tables.Address.id).where(
        core_tables.Address.person_id == address.person_id, core_tables.Address.id != address.id
    )
    return address.person.is_operator or session.scalar(others.limit(1)) is not None


def account_words(session: Session, person_id: int) -> str:
    """The account in words for a reader whose address may join it: its oldest mail address, masked."""
    person = session.get_one(core_tables.Person, person_id)
    if person.is_operator:
        return "the operator of this Duskbell"
    mail = session.scalar(
        select(core_tables.Address.target)
        .where(
            core_tables.Address.person_id == person_id,
            core_tables.Address.channel == "email",
            core_tables.Address.confirmed_at.is_not(None),
        )
        .order_by(core_tables.Address.id)
        .limit(1)
    )
    return mask_mail(mail) if mail else "somebody whose own address is gone"


def may_enter(session: Session, address: core_tables.Address, person_id: int) -> bool:
    """Whether a link that was mailed to the address still signs in as that person."""
    if address.person_id != person_id or address.confirmed_at is None:
        return False
    return address.is_own or not address.person.is_operator


def settle(
    session: Session, asked: core_tables.Address, *, joins: bool, now: datetime
) -> core_tables.Address:
    """The row that its reader confirms: the one in their account if they have one, else the one that was
    asked about, or for one parked in an account that they don't join, a person of its own."""
    account = find_account(session, asked.target)
    is_parked = is_joining(session, asked)
    if account is None:
        if joins or not is_parked:
            return asked
        return add_pending(session, asked.target, zone=people.UNKNOWN_ZONE, now=now)
    if account.id != asked.id and not is_parked and asked.confirmed_at is None:
        _merge(session, asked, account, now)
    return account


def add_pending(session: Session, target: str, *, zone: str, now: datetime) -> core_tables.Address:
    """The address as a person of its own, not yet confirmed; the one that waits already if there is one."""
    known = find_pending(session, target)
    if known is not None:
        return known
    person = core_tables.Person(name="", zone=zone, is_operator=False, created_at=now)
    address = core_tables.Address(
        person=person, channel="email", target=target, secrets=[], created_at=now, confirmed_at=None
    )
    session.add(address)
    session.flush()
    return address


def find_of_person(session: Session, target: str, person_id: int) -> core_tables.Address | None:
    """The address among those of that person, however it is spelled, confirmed or not."""
    return session.scalars(_of_mail(target).where(core_tables.Address.person_id == person_id)).first()


def add_joining(
    session: Session, target: str, person: core_tables.Person, *, is_own: bool, now: datetime
) -> core_tables.Address:
    """The address as one of that person's, however it is spelled; a new one waits for its reader's word.

    is_own: the operator says that it is the operator's own; it counts from then on.
    """
    known = find_of_person(session, target, person.id)
    if known is None:
        known = core_tables.Address(person=person, channel="email", target=target, secrets=[], created_at=now)
        session.add(known)
    known.is_own = known.is_own or (is_own and person.is_operator)
    session.flush()
    return known


def address_by_operator(
    session: Session, target: str, operator: core_tables.Person, *, is_own: bool, zone: str, now: datetime
) -> core_tables.Address:
    """The mail address that the operator names: the operator's own, or its own person.

    BadInput for one that still hangs on the operator from an earlier version, with how to decide it.
    """
    account, hanging = find_account(session, target), find_on_operator(session, target)
    if is_own:
        known = account or hanging
        if known is None:
            known = _add_own(session, operator, target, now)
        take_as_own(session, known, operator)
        return known
    if hanging is not None and account is None:
        raise BadInput(
            f"{target} hangs on you from an earlier version, and nobody has said whose it is. Yours: "
            f"duskbell address mine {hanging.id}; somebody else's: duskbell address give-away {hanging.id}"
        )
    return account or add_pending(session, target, zone=zone, now=now)


def _add_own(
    session: Session, operator: core_tables.Person, target: str, now: datetime
) -> core_tables.Address:
    """The operator's row of that address, also one that was removed or never confirmed; else a new one."""
    address = add_joining(session, target, operator, is_own=True, now=now)
    if address.confirmed_at is None:
        address.off_since = address.off_reason = None
    return address


def take_as_own(session: Session, address: core_tables.Address, operator: core_tables.Person) -> None:
    """Mark the address as the operator's own; one that was its own person comes with its subscriptions."""
    if address.channel != "email":
        raise BadInput(f"address {address.id} is no mail address; nobody signs in by it.")
    if address.person_id != operator.id:
        if _owns_sites(session, address.person_id):
            raise BadInput(
                f"address {address.id} belongs to person {address.person_id}, who keeps sites here; hand out "
                "or erase their data first: duskbell person --help"
            )
        _move(session, address, operator)
        people.estimate_drives(session, _subscriptions(session, address.id))
    address.is_own = True
    session.flush()


def give_away(
    session: Session, address: core_tables.Address, *, to: core_tables.Person | None = None, now: datetime
) -> core_tables.Address:
    """Take the address from the operator, with its subscriptions: a mail address becomes its own person,
    or joins the row that it has as one; a receiver goes to the person named. The row that it is from now on.

    Sites stay with the operator, and what was told of them is kept without what only their owner reads.
    BadInput where there is nothing to give.
    """
    if not address.person.is_operator:
        raise BadInput(f"address {address.id} isn't yours; it is its own person already.")
    if (address.channel == "email") is (to is not None):
        raise BadInput("a mail address becomes its own person; name somebody with --to for other receivers.")
    account = find_account(session, address.target) if address.channel == "email" else None
    if account is not None and account.id != address.id:
        _merge(session, address, account, now)
        rounded_sites.settle(session, now)
        people.estimate_drives(session, _subscriptions(session, account.id))
        return account
    if to is None:
        to = core_tables.Person(name="", zone=address.person.zone, is_operator=False, created_at=now)
        session.add(to)
    _move(session, address, to)
    address.is_own = False
    session.flush()
    rounded_sites.settle(session, now)
    people.estimate_drives(session, _subscriptions(session, address.id))
    return address


def _owns_sites(session: Session, person_id: int) -> bool:
    kept = select(core_tables.Site.id).where(
        core_tables.Site.owner_id == person_id, core_tables.Site.archived_at.is_(None)
    )
    return session.scalar(kept.limit(1)) is not None


def _move(session: Session, address: core_tables.Address, person: core_tables.Person) -> None:
    """Let the address and all that is told there be that person's."""
    session.flush()
    _drop_private(session, address, person.id)
    for row in _subscriptions(session, address.id):
        row.person = person
    address.person = person
    session.flush()


def _merge(session: Session, address: core_tables.Address, into: core_tables.Address, now: datetime) -> None:
    """Let another row of the same address take over what is told there; the row itself goes."""
    _drop_private(session, address, into.person_id)
    running = {_described(row.site) for row in _subscriptions(session, into.id) if row.ended_at is None}
    for row in _subscriptions(session, address.id):
        if row.ended_at is None and _described(row.site) in running:
            row.ended_at, row.ended_why = now, TOLD_THERE
        row.person, row.address = into.person, into
    session.flush()
    for kind in (core_tables.Message, Token):
        session.execute(update(kind).where(kind.address_id == address.id).values(address_id=into.id))
    session.execute(delete(Endpoint).where(Endpoint.address_id == address.id))
    session.delete(address)
    session.flush()


def _described(site: core_tables.Site) -> int:
    """The site that somebody described, of which this may be the copy for others."""
    return site.id if site.rounded_of_id is None else site.rounded_of_id


def _drop_private(session: Session, address: core_tables.Address, person_id: int) -> None:
    """Before the address becomes that person's: take out of what was told there what only a site's owner
    reads, the word on other addresses, and links that sign in as who had it until now."""
    for row in _subscriptions(session, address.id):
        if row.site.owner_id == person_id:
            continue
        revisions = session.scalars(
            select(core_tables.SiteRevision.facts).where(core_tables.SiteRevision.site_id == row.site_id)
        )
        described = [from_json(Site, facts["site"]) for facts in revisions]
        for alert in session.scalars(
            select(core_tables.Alert).where(core_tables.Alert.subscription_id == row.id)
        ):
            alert.facts = discreet_facts(alert.facts, described)
    theirs = (
        select(core_tables.Message.id)
        .join(Notice, Notice.message_id == core_tables.Message.id)
        .where(core_tables.Message.address_id == address.id, Notice.kind.in_(_OF_OTHER_ADDRESSES))
    )
    delete_messages(session, session.scalars(theirs).all())
    session.execute(delete(Token).where(Token.address_id == address.id, Token.purpose == Purpose.SIGN_IN))


def _subscriptions(session: Session, address_id: int) -> list[core_tables.Subscription]:
    return list(
        session.scalars(
            select(core_tables.Subscription).where(core_tables.Subscription.address_id == address_id)
        )
    )
