"""What a stranger may set off: confirming an address, unsubscribing, signing in, using an API key.

Whoever asks gets the same answer whether or not an address is known, so these functions report what they
did only to the log.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from datetime import datetime, timedelta
from enum import StrEnum
from types import MappingProxyType

from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from service.accounts import address_owner
from service.channels import host_state
from service.channels.email_message import check_mail_address
from service.common.secret_key import Keys
from service.store.repositories import messages, people, rate_limits, suppression, tokens
from service.store.repositories.messages import NewNotice, NoticeKind
from service.store.repositories.subscriptions import end_of_address
from service.store.repositories.suppression import BarReason
from service.store.repositories.tokens import RULES, KeyTerms, Purpose, Scope
from service.store.schema.core_tables import AddressRow, PersonRow
from service.store.schema.delivery_tables import TokenRow

log = logging.getLogger(__name__)

MOST_ASKINGS = 3
"""Confirmation mails to an address until it confirms; they come a day apart at least (limits.LIMITS)."""


class AskOutcome(StrEnum):
    """What became of a request. For the log: the person who asked sees the same each time."""

    SENT = "sent"
    KNOWN = "known"  # confirmed already
    LIMITED = "limited"
    ENOUGH = "enough"  # asked three times without an answer
    BARRED = "barred"  # bounced or complained
    UNKNOWN = "unknown"


def ask_to_confirm(
    session: Session, keys: Keys, address: AddressRow, *, network: str, now: datetime
) -> AskOutcome:
    """Send the one mail that an unconfirmed address may get, within its limits."""
    asked = _ask(session, keys, address, network=network, now=now)
    log.info("confirmation of address %s: %s", address.id, asked)
    return asked


def _ask(session: Session, keys: Keys, address: AddressRow, *, network: str, now: datetime) -> AskOutcome:
    if address.confirmed_at is not None and address.off_since is None:
        return AskOutcome.KNOWN
    joins = address_owner.is_joining(session, address)
    if joins and address_owner.find_account(session, address.target) is not None:
        return AskOutcome.KNOWN
    hashed = suppression.address_hash(keys, address.channel, address.target)
    if (
        suppression.find_suppressed(session, [hashed]).get(hashed, BarReason.OPTED_OUT)
        is not BarReason.OPTED_OUT
    ):
        return AskOutcome.BARRED
    if suppression.count_askings(session, hashed) >= MOST_ASKINGS:
        return AskOutcome.ENOUGH
    if not rate_limits.allow(
        session, keys, "confirm", now, address=hashed, network=rate_limits.network_of(network)
    ):
        return AskOutcome.LIMITED
    suppression.note_asking(session, hashed, now)
    facts = {"joins": address_owner.account_words(session, address.person_id)} if joins else {}
    _post(session, address, NoticeKind.CONFIRM, now, facts)
    return AskOutcome.SENT


def confirm(
    session: Session, keys: Keys, token: str, now: datetime, *, joins: bool = False
) -> AddressRow | None:
    """Confirm the address that the token was mailed to; None when the token opens nothing.

    It becomes, or is found to be, its own person, and what was asked for it as such comes along. joins: its
    reader wants it to join the account of who typed it in, as the mail said; one that has an account joins
    no other.
    """
    row = tokens.redeem(session, Purpose.CONFIRM, token, now)
    if row is None or row.address_id is None:
        return None
    asked_id = row.address_id
    address = address_owner.settle(session, session.get_one(AddressRow, asked_id), joins=joins, now=now)
    tokens.revoke(session, now, purpose=Purpose.CONFIRM, address_id=asked_id)
    address.confirmed_at = address.confirmed_at or now
    host_state.switch_on(session, address)
    hashed = suppression.address_hash(keys, address.channel, address.target)
    suppression.lift(session, hashed, BarReason.OPTED_OUT)
    suppression.forget_askings(session, hashed)
    tokens.revoke(session, now, purpose=Purpose.CONFIRM, address_id=address.id)
    session.flush()
    return address


def joinable_account(session: Session, address: AddressRow) -> str:
    """The account that the address may join, in words; "" where it becomes, or has, one of its own."""
    if not address_owner.is_joining(session, address) or address_owner.find_account(session, address.target):
        return ""
    return address_owner.account_words(session, address.person_id)


def unsubscribe(session: Session, keys: Keys, token: str, now: datetime) -> AddressRow | None:
    """Send nothing more to the address of this link; None when the link leads nowhere.

    Doing it again changes nothing: mail programs repeat the request.
    """
    address = find_address(session, Purpose.UNSUBSCRIBE, token, now)
    if address is None:
        return None
    host_state.switch_off(address, say("accounts.unsubscribed-its-link"), now)
    hashed = suppression.address_hash(keys, address.channel, address.target)
    suppression.suppress(session, hashed, BarReason.OPTED_OUT, "by link", now)
    end_of_address(session, address.id, now)
    return address


def find_address(session: Session, purpose: Purpose, token: str, now: datetime) -> AddressRow | None:
    """Whose address the link is about, without doing anything; None when it leads nowhere."""
    row = tokens.find(session, purpose, token, now)
    if row is None or row.address_id is None:
        return None
    return session.get(AddressRow, row.address_id)


def ask_to_sign_in(session: Session, keys: Keys, email: str, *, network: str, now: datetime) -> AskOutcome:
    """Mail a link to sign in, if the address is that of an account; at most one a day where its reader has
    opted out, since anybody can ask."""
    try:
        target = check_mail_address(email)
    except BadInput:
        return AskOutcome.UNKNOWN
    hashed = suppression.address_hash(keys, "email", target)
    who = {"address": hashed, "network": rate_limits.network_of(network)}
    address = address_owner.find_account(session, target)
    allowed = rate_limits.allow(session, keys, "sign_in", now, reaches_nobody=address is None, **who)
    if address is not None and allowed:
        # one that wants no mail at all has a link once a day
        kept = suppression.address_hash(keys, address.channel, address.target)
        if address.off_since is not None or suppression.find_suppressed(session, [kept]):
            allowed = rate_limits.allow(session, keys, "sign_in_unwanted", now, address=kept)
    if address is None:
        asked = AskOutcome.UNKNOWN
    elif not allowed:
        asked = AskOutcome.LIMITED
    else:
        facts = {"account": address_owner.account_words(session, address.person_id)}
        _post(session, address, NoticeKind.SIGN_IN, now, facts)
        asked = AskOutcome.SENT
    log.info("request to sign in: %s", asked)
    return asked


def make_owner_link(session: Session, now: datetime, *, public_url: str) -> str:
    """A link that signs the operator in: for whoever can run commands here. It works once, for 15 minutes."""
    owner = people.get_operator(session, zone=people.UNKNOWN_ZONE, now=now)
    token = tokens.mint(session, Purpose.SIGN_IN, now, person_id=owner.id)
    return f"{public_url.rstrip('/')}/sign-in/{token}"


def sign_in(session: Session, token: str, now: datetime) -> int | None:
    """The id of the person whom the mailed link lets in, once; None for any other token.

    Their other links that are still about work no more.
    """
    row = tokens.redeem(session, Purpose.SIGN_IN, token, now)
    if row is None or row.person_id is None:
        log.info("a link to sign in let nobody in: unknown, used or too old")
        return None
    if row.address_id is not None:
        address = session.get(AddressRow, row.address_id)
        if address is None or not address_owner.may_enter(session, address, row.person_id):
            log.info("a link to sign in let nobody in: address %s opens no account now", row.address_id)
            return None
    log.info("person %s signed in by a link", row.person_id)
    tokens.revoke_all_of(session, now, purpose=Purpose.SIGN_IN, person_id=row.person_id)
    return row.person_id


KEY_USES: Mapping[str, tuple[Scope, ...]] = MappingProxyType(
    {
        "read": (Scope.READ,),
        "judge": (Scope.READ, Scope.JUDGE),
        "metrics": (Scope.METRICS,),
    }
)
"""What somebody may ask a key for, and what it then may do. Metrics are the operator's to ask for."""
WARNED_BEFORE = timedelta(days=14)
"""How long before its end the owner of a key is told."""


def make_api_key(
    session: Session,
    person_id: int,
    label: str,
    now: datetime,
    *,
    use: str = "judge",
    lives: timedelta = tokens.KEY_LIVES,
) -> str:
    """A new key for programs, shown this once. use: one of KEY_USES. BadInput when it can't be such."""
    if use not in KEY_USES:
        raise BadInput(phrase("accounts.key-use-unknown", use=use, key_uses=", ".join(KEY_USES)))
    if not timedelta(days=1) <= lives <= tokens.LONGEST_KEY:
        raise BadInput(phrase("accounts.key-days", days=tokens.LONGEST_KEY.days))
    if use == "metrics" and not session.get_one(PersonRow, person_id).is_operator:
        raise BadInput(phrase("accounts.key-metrics"))
    return tokens.mint_key(session, person_id, now, KeyTerms(label, lives, KEY_USES[use]))


def check_api_key(session: Session, key: str, now: datetime) -> TokenRow | None:
    """The row of a key that works; None for any other."""
    return tokens.find(session, Purpose.API_KEY, key, now)


def warn_of_ending_keys(session: Session, now: datetime) -> int:
    """Mail each owner, once, whose key ends soon; how many keys. Who has no mail address sees it on the
    page and in `duskbell key list`."""
    told = 0
    for key in tokens.find_api_keys(session, now):
        if key.expires_at is None or key.warned_at is not None or key.expires_at > now + WARNED_BEFORE:
            continue
        key.warned_at = now
        reached = people.sign_in_addresses(session, key.person_id)
        address = next((each for each in reached if each.off_since is None), None)
        if address is None:
            continue
        facts = {"label": key.label or "", "ends": f"{key.expires_at:%Y-%m-%d}"}
        notice = NewNotice(NoticeKind.KEY_ENDS, facts, helps_until=key.expires_at)
        messages.enqueue_notice(session, address.id, notice, created_at=now, due_at=now)
        told += 1
    return told


def revoke_api_key(session: Session, number: int, now: datetime) -> None:
    """Let the key of that number work no more; BadInput when there is none."""
    row = session.get(TokenRow, number)
    if row is None or row.purpose != Purpose.API_KEY or row.used_at is not None:
        raise BadInput(phrase("accounts.no-key", number=number))
    row.used_at = now


def _post(
    session: Session, address: AddressRow, kind: NoticeKind, now: datetime, facts: dict[str, str]
) -> None:
    """A notice with a link: it helps as long as the token of its purpose, which is called as it is, lives."""
    notice = NewNotice(kind, facts, helps_until=now + (RULES[Purpose(kind)].lives or timedelta(days=1)))
    messages.enqueue_notice(session, address.id, notice, created_at=now, due_at=now)
