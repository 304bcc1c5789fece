"""What a stranger may set off: confirming an address, unsubscribing, signing in, using an API key.

Whoever asks gets the same answer whether or not an address is known, so these functions report what they
did only to the log.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import delete, func, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from alerts.errors import BadInput
from service.channels.mailbuilding import check_mail_address
from service.keys import Keys
from service.notices.wording import NoticeKind
from service.store import endpoints, limits, messages, people, suppression, tables, tokens
from service.store.suppression import Reason
from service.store.tables_delivery import Asking, Token
from service.store.tokens import RULES, Purpose

log = logging.getLogger(__name__)

MOST_ASKINGS = 3
"""Confirmation mails to an address until it confirms; they come a day apart at least (limits.LIMITS)."""


class Asked(StrEnum):
    """What became of a request. For the log: the person who asked sees the same each time."""

    SENT = "sent"
    KNOWN = "known"  # confirmed already
    LIMITED = "limited"
    ENOUGH = "enough"  # asked three times without an answer
    BARRED = "barred"  # bounced or complained
    UNKNOWN = "unknown"


def welcome(
    session: Session, keys: Keys, email: str, *, zone: str, network: str, now: datetime
) -> tuple[tables.Address, Asked]:
    """The address that somebody typed into a page: kept, asked to confirm, and told nothing before it has.

    BadInput when it can't be a mail address.
    """
    target = check_mail_address(email)
    address = _find_mail(session, target)
    if address is None:
        person = tables.Person(name="", zone=zone, is_operator=False, created_at=now)
        address = tables.Address(
            person=person, channel="email", target=target, secrets=[], created_at=now, confirmed_at=None
        )
        session.add(address)
        session.flush()
    return address, ask_to_confirm(session, keys, address, network=network, now=now)


def ask_to_confirm(
    session: Session, keys: Keys, address: tables.Address, *, network: str, now: datetime
) -> Asked:
    """Send the one mail that an unconfirmed address may get, within its limits."""
    asked = _ask(session, keys, address, network=network, now=now)
    log.info("confirmation of address %s: %s", address.id, asked)
    return asked


def _ask(session: Session, keys: Keys, address: tables.Address, *, network: str, now: datetime) -> Asked:
    if address.confirmed_at is not None and address.off_since is None:
        return Asked.KNOWN
    hashed = suppression.address_hash(keys, address.channel, address.target)
    if suppression.find_suppressed(session, [hashed]).get(hashed, Reason.OPTED_OUT) is not Reason.OPTED_OUT:
        return Asked.BARRED
    asking = session.get(Asking, hashed)
    if asking is not None and asking.times >= MOST_ASKINGS:
        return Asked.ENOUGH
    if not limits.allow(session, keys, "confirm", now, address=hashed, network=limits.network_of(network)):
        return Asked.LIMITED
    insert = sqlite.insert if session.get_bind().dialect.name == "sqlite" else postgresql.insert
    session.execute(
        insert(Asking)
        .values(address_hash=hashed, times=1, last_at=now)
        .on_conflict_do_update(
            index_elements=["address_hash"], set_={"times": Asking.times + 1, "last_at": now}
        )
    )
    _post(session, address, NoticeKind.CONFIRM, Purpose.CONFIRM, now)
    return Asked.SENT


def confirm(session: Session, keys: Keys, token: str, now: datetime) -> tables.Address | None:
    """Confirm the address that the token was mailed to; None when the token opens nothing."""
    row = tokens.redeem(session, Purpose.CONFIRM, token, now)
    if row is None or row.address_id is None:
        return None
    address = session.get_one(tables.Address, row.address_id)
    address.confirmed_at = now
    endpoints.switch_on(session, address)
    hashed = suppression.address_hash(keys, address.channel, address.target)
    suppression.lift(session, hashed, Reason.OPTED_OUT)
    session.execute(delete(Asking).where(Asking.address_hash == hashed))
    tokens.revoke(session, now, purpose=Purpose.CONFIRM, address_id=address.id)
    return address


def unsubscribe(session: Session, keys: Keys, token: str, now: datetime) -> tables.Address | None:
    """Send nothing more to the address of this link; None when the link leads nowhere.

    Doing it again changes nothing: mail programs repeat the request.
    """
    row = tokens.find(session, Purpose.UNSUBSCRIBE, token, now)
    if row is None or row.address_id is None:
        return None
    address = session.get_one(tables.Address, row.address_id)
    endpoints.switch_off(address, "unsubscribed by its link", now)
    hashed = suppression.address_hash(keys, address.channel, address.target)
    suppression.suppress(session, hashed, Reason.OPTED_OUT, "by link", now)
    session.execute(
        update(tables.Subscription)
        .where(tables.Subscription.address_id == address.id, tables.Subscription.ended_at.is_(None))
        .values(ended_at=now)
    )
    return address


def find_address(session: Session, purpose: Purpose, token: str, now: datetime) -> tables.Address | None:
    """Whose address the link is about, without doing anything; None when it leads nowhere."""
    row = tokens.find(session, purpose, token, now)
    if row is None or row.address_id is None:
        return None
    return session.get(tables.Address, row.address_id)


def ask_to_sign_in(session: Session, keys: Keys, email: str, *, network: str, now: datetime) -> Asked:
    """Mail a link to sign in, if the address is known and confirmed."""
    try:
        target = check_mail_address(email)
    except BadInput:
        return Asked.UNKNOWN
    hashed = suppression.address_hash(keys, "email", target)
    allowed = limits.allow(session, keys, "sign_in", now, address=hashed, network=limits.network_of(network))
    address = _find_mail(session, target)
    if address is None or address.confirmed_at is None:
        asked = Asked.UNKNOWN
    elif not allowed:
        asked = Asked.LIMITED
    else:
        _post(session, address, NoticeKind.SIGN_IN, Purpose.SIGN_IN, now)
        asked = Asked.SENT
    log.info("request to sign in: %s", asked)
    return asked


def make_owner_link(session: Session, now: datetime, *, public_url: str) -> str:
    """A link that signs the operator in: for whoever can run commands here. It works once, for 15 minutes."""
    owner = people.get_operator(session, zone=people.UNKNOWN_ZONE, now=now)
    token = tokens.mint(session, Purpose.SIGN_IN, now, person_id=owner.id)
    return f"{public_url.rstrip('/')}/sign-in/{token}"


def sign_in(session: Session, token: str, now: datetime) -> int | None:
    """The id of the person whom the mailed link lets in, once; None for any other token."""
    row = tokens.redeem(session, Purpose.SIGN_IN, token, now)
    return row.person_id if row is not None else None


def make_api_key(session: Session, person_id: int, label: str, now: datetime) -> str:
    """A new key for programs, shown this once."""
    return tokens.mint(session, Purpose.API_KEY, now, person_id=person_id, label=label)


def check_api_key(session: Session, key: str, now: datetime) -> Token | None:
    """The row of a key that works; None for any other."""
    return tokens.find(session, Purpose.API_KEY, key, now)


def find_api_keys(session: Session) -> list[Token]:
    """The keys that work, oldest first."""
    query = select(Token).where(Token.purpose == Purpose.API_KEY, Token.used_at.is_(None))
    return list(session.scalars(query.order_by(Token.id)))


def revoke_api_key(session: Session, number: int, now: datetime) -> None:
    """Let the key of that number work no more; BadInput when there is none."""
    row = session.get(Token, number)
    if row is None or row.purpose != Purpose.API_KEY or row.used_at is not None:
        raise BadInput(f"there is no key number {number} that works; see: duskbell key list")
    row.used_at = now


def _find_mail(session: Session, target: str) -> tables.Address | None:
    """The mail address however it is spelled; a confirmed one before another."""
    rows = session.scalars(
        select(tables.Address)
        .where(tables.Address.channel == "email", func.lower(tables.Address.target) == target.lower())
        .order_by(tables.Address.confirmed_at.is_(None), tables.Address.id)
    )
    return rows.first()


def _post(
    session: Session, address: tables.Address, kind: NoticeKind, purpose: Purpose, now: datetime
) -> None:
    lives = RULES[purpose].lives or timedelta(days=1)
    messages.enqueue_notice(session, address.id, kind, {}, created_at=now, due_at=now, expires_at=now + lives)
