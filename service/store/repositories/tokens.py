"""Tokens: random, kept as hashes, each for one purpose; some for one use, most for a short time.

What a token opens is looked up by its hash, so the time that takes says nothing about the token. A wrong,
used, expired or unknown token all give the same answer: None.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import ColumnElement, or_, select, update
from sqlalchemy.orm import Session

from service.common.secret_key import Keys
from service.store.engine import changed_rows
from service.store.schema.delivery_tables import TokenRow

RANDOM_BYTES = 20
"""160 random bits; the standard asks for 128 (OWASP ASVS 5.0, 7.2.3 and 11.5.1)."""


class Purpose(StrEnum):
    """What a token opens; one never opens what another does."""

    CONFIRM = "confirm"  # proves that a mail address wants our mail
    CHALLENGE = "challenge"  # proves that a webhook's owner can read what arrives there
    SIGN_IN = "sign_in"
    UNSUBSCRIBE = "unsubscribe"
    # Leads to a button that mails a link to sign in. It lets nobody in by itself: mails are passed on and
    # kept, and one's own page can erase everything.
    MANAGE = "manage"
    OUTCOME = "outcome"  # lets its reader say how a night was that the address was told of
    API_KEY = "api_key"


class Scope(StrEnum):
    """What a program's key may do."""

    READ = "read"  # sites, nights, seasons and the record of its owner
    JUDGE = "judge"  # verdicts for places that aren't kept; the feeds are asked
    METRICS = "metrics"  # /metrics; keys of the operator alone


KEY_LIVES = timedelta(days=365)
"""How long a program's key works unless its owner says otherwise."""
LONGEST_KEY = timedelta(days=731)


@dataclass(frozen=True, slots=True)
class Rule:
    """How long a token of a purpose lives (None: until it is revoked), and whether it works once only."""

    lives: timedelta | None
    single_use: bool


RULES = {
    Purpose.CONFIRM: Rule(timedelta(hours=48), single_use=True),
    Purpose.CHALLENGE: Rule(timedelta(hours=48), single_use=True),
    Purpose.SIGN_IN: Rule(timedelta(minutes=15), single_use=True),
    Purpose.UNSUBSCRIBE: Rule(None, single_use=False),
    Purpose.MANAGE: Rule(None, single_use=False),
    Purpose.OUTCOME: Rule(None, single_use=False),
    Purpose.API_KEY: Rule(KEY_LIVES, single_use=False),
}
PREFIXES = {Purpose.API_KEY: "dbk_"}
"""Lets a leaked key be recognised in logs and code."""


def mint(
    session: Session,
    purpose: Purpose,
    now: datetime,
    *,
    person_id: int | None = None,
    address_id: int | None = None,
) -> str:
    """A fresh token, in the clear for this once."""
    token = PREFIXES.get(purpose, "") + random_token()
    _add(session, purpose, token, now, person_id=person_id, address_id=address_id)
    session.flush()
    return token


def mint_code(session: Session, address_id: int, now: datetime, *, length: int | None) -> str:
    """A fresh code that a receiver answers with. length: its letters, 5 random bits each, where people type
    it."""
    code = random_token()[:length]
    _add(session, Purpose.CHALLENGE, code, now, address_id=address_id)
    session.flush()
    return code


@dataclass(frozen=True, slots=True)
class KeyTerms:
    """What a program's key is called, for how long it works, and what it may do."""

    label: str
    lives: timedelta
    scopes: tuple[Scope, ...]


def mint_key(session: Session, person_id: int, now: datetime, terms: KeyTerms) -> str:
    """A fresh key for a program, in the clear for this once."""
    key = PREFIXES[Purpose.API_KEY] + random_token()
    said = {"label": terms.label, "expires_at": now + terms.lives, "scope": " ".join(terms.scopes)}
    _add(session, Purpose.API_KEY, key, now, person_id=person_id, **said)
    session.flush()
    return key


def random_token() -> str:
    """A text that nobody can guess."""
    return base64.b32encode(secrets.token_bytes(RANDOM_BYTES)).decode("ascii").lower()


def may(row: TokenRow, scope: Scope) -> bool:
    """Whether a key may do that. One from before there were scopes does all that keys did."""
    return row.scope is None or scope in row.scope.split()


def standing_links(
    session: Session, keys: Keys, purpose: Purpose, address_ids: Iterable[int], now: datetime
) -> dict[int, str]:
    """For each address the one token that stays the same from mail to mail; made where there is none."""
    wanted = set(address_ids)
    if not wanted:
        return {}
    rows = session.execute(
        select(TokenRow.address_id, TokenRow.nonce).where(
            TokenRow.purpose == purpose, TokenRow.address_id.in_(wanted), TokenRow.used_at.is_(None)
        )
    )
    found = {
        address_id: keys.link_token(purpose, nonce)
        for address_id, nonce in rows
        if address_id is not None and nonce is not None
    }
    for address_id in wanted - found.keys():
        nonce = secrets.token_hex(RANDOM_BYTES)
        found[address_id] = keys.link_token(purpose, nonce)
        _add(session, purpose, found[address_id], now, address_id=address_id, nonce=nonce)
    session.flush()
    return found


def newest_of(session: Session, purpose: str, person_id: int) -> TokenRow | None:
    """The newest token of that purpose that the person hasn't had revoked."""
    query = select(TokenRow).where(
        TokenRow.purpose == purpose, TokenRow.person_id == person_id, TokenRow.used_at.is_(None)
    )
    return session.scalar(query.order_by(TokenRow.id.desc()).limit(1))


def find_api_keys(session: Session, now: datetime, person_id: int | None = None) -> list[TokenRow]:
    """The keys that work, of one person or of all, oldest first."""
    query = select(TokenRow).where(
        TokenRow.purpose == Purpose.API_KEY,
        TokenRow.used_at.is_(None),
        or_(TokenRow.expires_at.is_(None), TokenRow.expires_at > now),
    )
    if person_id is not None:
        query = query.where(TokenRow.person_id == person_id)
    return list(session.scalars(query.order_by(TokenRow.id)))


def revoke_own_key(session: Session, key_id: int, person_id: int, now: datetime) -> bool:
    """Let a program's key of that person work no more; whether there was such a one."""
    mine = TokenRow.id == key_id, TokenRow.person_id == person_id
    return use_up(session, now, TokenRow.purpose == Purpose.API_KEY, *mine) > 0


def find(session: Session, purpose: Purpose, token: str, now: datetime) -> TokenRow | None:
    """The row of a token that works now; None for any other."""
    return session.scalar(
        select(TokenRow).where(
            TokenRow.digest == digest(purpose, token),
            TokenRow.purpose == purpose,
            TokenRow.used_at.is_(None),
            or_(TokenRow.expires_at.is_(None), TokenRow.expires_at > now),
        )
    )


def redeem(session: Session, purpose: Purpose, token: str, now: datetime) -> TokenRow | None:
    """Like `find`, and a single-use token is used up: of two at once, one gets the row."""
    row = find(session, purpose, token, now)
    if row is None or not RULES[purpose].single_use:
        return row
    return row if use_up(session, now, TokenRow.id == row.id) == 1 else None


def use_up(session: Session, now: datetime, *which: ColumnElement[bool]) -> int:
    """Let these tokens work no more; how many still did."""
    return changed_rows(
        session, update(TokenRow).where(TokenRow.used_at.is_(None), *which).values(used_at=now)
    )


def find_expired(session: Session, purpose: Purpose, token: str, now: datetime) -> TokenRow | None:
    """The row of a token that would work if its time weren't over."""
    return session.scalar(
        select(TokenRow).where(
            TokenRow.digest == digest(purpose, token),
            TokenRow.purpose == purpose,
            TokenRow.used_at.is_(None),
            TokenRow.expires_at <= now,
        )
    )


def revoke_all_of(session: Session, now: datetime, *, purpose: Purpose, person_id: int) -> None:
    """No token of that purpose works any more for the person."""
    use_up(session, now, TokenRow.purpose == purpose, TokenRow.person_id == person_id)


def revoke(session: Session, now: datetime, *, purpose: Purpose, address_id: int) -> None:
    """No token of that purpose works any more for the address."""
    use_up(session, now, TokenRow.purpose == purpose, TokenRow.address_id == address_id)


def _add(session: Session, purpose: Purpose, token: str, now: datetime, **values: Any) -> None:
    lives = RULES[purpose].lives
    usual = {"created_at": now, "expires_at": None if lives is None else now + lives}
    session.add(TokenRow(purpose=purpose, digest=digest(purpose, token), **usual | values))


def digest(purpose: str, token: str) -> str:
    """SHA-256 is enough: nobody can try 160 random bits."""
    return hashlib.sha256(f"{purpose}:{token}".encode()).hexdigest()
