"""Whose a mail address is.

An address is its own person. It joins another person's account only when its reader says so in the mail
that asks; until then what somebody typed in belongs to nobody but them. Of the operator's addresses only
those marked as the operator's own let their reader in.
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.judging.privacy import discreet_facts
from service.channels.email_message import check_mail_address, mail_spellings
from service.common.redaction import mask_mail
from service.store.maintenance.personal_data import delete_messages
from service.store.repositories import people, rounded_sites, subscriptions
from service.store.repositories.alerts import alerts_of_subscription
from service.store.repositories.messages import NoticeKind, notices_to
from service.store.repositories.sites import descriptions_of, owns_sites
from service.store.repositories.subscriptions import subscriptions_of_address
from service.store.schema.core_tables import AddressRow, PersonRow, SiteRow

_OF_OTHER_ADDRESSES = (NoticeKind.ENDPOINT_FAILING, NoticeKind.ENDPOINT_OFF, NoticeKind.OPERATOR)
"""Notices that tell the owner of one address how another fares."""


def find_account(session: Session, email: str) -> AddressRow | None:
    """The address, however it is spelled, of the person that its reader signs in as; on or off.

    Of several (only old stores hold such) one marked as the operator's own counts, then the oldest.
    """
    return people.account_of(session, mail_spellings(email))


def find_pending(session: Session, email: str) -> AddressRow | None:
    """The address as it waits to become its own person; None when nobody asked for that."""
    rows = people.unconfirmed_of(session, mail_spellings(email))
    return next((row for row in rows if not is_joining(session, row)), None)


def find_on_operator(session: Session, email: str) -> AddressRow | None:
    """The address as it hangs on the operator without being marked as the operator's own."""
    return people.hanging_mailbox(session, mail_spellings(email))


def get_person(session: Session, named: str) -> PersonRow:
    """The person of that number, or whose own the mail address is; BadInput when there is none."""
    if named.isdigit():
        person = session.get(PersonRow, int(named))
    else:
        address = find_account(session, named) or find_pending(session, named)
        person = address.person if address is not None else None
    if person is not None:
        return person
    hanging = find_on_operator(session, named)
    if hanging is not None:
        raise BadInput(phrase("accounts.hangs-make-person", named=named, id=hanging.id))
    raise BadInput(phrase("accounts.nobody", named=named))


def is_joining(session: Session, address: AddressRow) -> bool:
    """Whether confirming it would join it to an account that somebody has already, not make one."""
    if address.confirmed_at is not None:
        return False
    return address.person.is_operator or people.has_others(session, address)


def account_words(session: Session, person_id: int) -> str:
    """The account in words for a reader whose address may join it: its oldest mail address, masked."""
    person = session.get_one(PersonRow, person_id)
    if person.is_operator:
        return say("accounts.account-operator")
    mail = people.oldest_mail(session, person_id)
    return mask_mail(mail) if mail else say("accounts.account-without-address")


def may_enter(session: Session, address: AddressRow, person_id: int) -> bool:
    """Whether a link that was mailed to the address still signs in as that person."""
    if address.person_id != person_id or address.confirmed_at is None:
        return False
    return address.is_own or not address.person.is_operator


def settle(session: Session, asked: AddressRow, *, joins: bool, now: datetime) -> AddressRow:
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


def add_pending(session: Session, target: str, *, zone: str, now: datetime) -> AddressRow:
    """The address as a person of its own, not yet confirmed; the one that waits already if there is one."""
    known = find_pending(session, target)
    if known is not None:
        return known
    person = PersonRow(name="", zone=zone, is_operator=False, created_at=now)
    address = AddressRow(
        person=person, channel="email", target=target, secrets=[], created_at=now, confirmed_at=None
    )
    session.add(address)
    session.flush()
    return address


def typed_address(session: Session, email: str, *, zone: str, now: datetime) -> AddressRow:
    """The address that somebody typed into a page: that of its account, else one that waits for its word.

    BadInput when it can't be a mail address.
    """
    target = check_mail_address(email)
    return find_account(session, target) or add_pending(session, target, zone=zone, now=now)


def find_of_person(session: Session, target: str, person_id: int) -> AddressRow | None:
    """The address among those of that person, however it is spelled, confirmed or not."""
    return people.mailbox_of(session, mail_spellings(target), person_id)


def add_joining(
    session: Session, target: str, person: PersonRow, *, is_own: bool, now: datetime
) -> AddressRow:
    """The address as one of that person's, however it is spelled; a new one waits for its reader's word.

    is_own: the operator says that it is the operator's own; it counts from then on.
    """
    known = find_of_person(session, target, person.id)
    if known is None:
        known = AddressRow(person=person, channel="email", target=target, secrets=[], created_at=now)
        session.add(known)
    known.is_own = known.is_own or (is_own and person.is_operator)
    session.flush()
    return known


def own_address(session: Session, target: str, operator: PersonRow, now: datetime) -> AddressRow:
    """The mail address that the operator names as the operator's own; one that was removed or never confirmed
    counts anew."""
    known = find_account(session, target) or find_on_operator(session, target)
    if known is None:
        known = add_joining(session, target, operator, is_own=True, now=now)
        if known.confirmed_at is None:
            known.off_since = known.off_reason = None
    take_as_own(session, known, operator)
    return known


def address_of_another(session: Session, target: str, *, zone: str, now: datetime) -> AddressRow:
    """The mail address that the operator names, as its own person.

    BadInput for one that still hangs on the operator from an earlier version, with how to decide it.
    """
    account, hanging = find_account(session, target), find_on_operator(session, target)
    if hanging is not None and account is None:
        raise BadInput(phrase("accounts.hangs-undecided", target=target, id=hanging.id))
    return account or add_pending(session, target, zone=zone, now=now)


def take_as_own(session: Session, address: AddressRow, operator: PersonRow) -> None:
    """Mark the address as the operator's own; one that was its own person comes with its subscriptions."""
    if address.channel != "email":
        raise BadInput(phrase("accounts.address-no-mail", id=address.id))
    if address.person_id != operator.id:
        if owns_sites(session, address.person_id):
            raise BadInput(phrase("accounts.address-of-keeper", id=address.id, person_id=address.person_id))
        _move(session, address, operator)
        subscriptions.estimate_drives(session, subscriptions_of_address(session, address.id))
    address.is_own = True
    session.flush()


def give_away(
    session: Session, address: AddressRow, *, to: PersonRow | None = None, now: datetime
) -> AddressRow:
    """Take the address from the operator, with its subscriptions: a mail address becomes its own person,
    or joins the row that it has as one; a receiver goes to the person named. The row that it is from now on.

    Sites stay with the operator, and what was told of them is kept without what only their owner reads.
    BadInput where there is nothing to give.
    """
    if not address.person.is_operator:
        raise BadInput(phrase("accounts.address-not-yours", id=address.id))
    if (address.channel == "email") is (to is not None):
        raise BadInput(phrase("accounts.give-away-to"))
    account = find_account(session, address.target) if address.channel == "email" else None
    if account is not None and account.id != address.id:
        _merge(session, address, account, now)
        rounded_sites.settle(session, now)
        subscriptions.estimate_drives(session, subscriptions_of_address(session, account.id))
        return account
    if to is None:
        to = PersonRow(name="", zone=address.person.zone, is_operator=False, created_at=now)
        session.add(to)
    _move(session, address, to)
    address.is_own = False
    session.flush()
    rounded_sites.settle(session, now)
    subscriptions.estimate_drives(session, subscriptions_of_address(session, address.id))
    return address


def _move(session: Session, address: AddressRow, person: PersonRow) -> None:
    """Let the address and all that is told there be that person's."""
    session.flush()
    _drop_private(session, address, person.id)
    for row in subscriptions_of_address(session, address.id):
        row.person = person
    address.person = person
    session.flush()


def _merge(session: Session, address: AddressRow, into: AddressRow, now: datetime) -> None:
    """Let another row of the same address take over what is told there; the row itself goes."""
    _drop_private(session, address, into.person_id)
    running = {
        _described(row.site) for row in subscriptions_of_address(session, into.id) if row.ended_at is None
    }
    for row in subscriptions_of_address(session, address.id):
        if row.ended_at is None and _described(row.site) in running:
            row.ended_at, row.ended_why = now, say("accounts.told-there")
        row.person, row.address = into.person, into
    session.flush()
    people.hand_over(session, address, into)


def _described(site: SiteRow) -> int:
    """The site that somebody described, of which this may be the copy for others."""
    return site.id if site.rounded_of_id is None else site.rounded_of_id


def _drop_private(session: Session, address: AddressRow, person_id: int) -> None:
    """Before the address becomes that person's: take out of what was told there what only a site's owner
    reads, the word on other addresses, and links that sign in as who had it until now."""
    for row in subscriptions_of_address(session, address.id):
        if row.site.owner_id == person_id:
            continue
        described = descriptions_of(session, row.site_id)
        for alert in alerts_of_subscription(session, row.id):
            alert.facts = discreet_facts(alert.facts, described)
    delete_messages(session, notices_to(session, address.id, _OF_OTHER_ADDRESSES))
    people.forget_sign_in_links(session, address.id)
