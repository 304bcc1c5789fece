"""Private addresses of calendar, Atom and GeoJSON feeds: one key a person, an own address for each feed.

The address of a feed opens that feed and nothing else. A new key makes all old addresses dead.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.common.secret_key import Keys
from service.store.repositories import tokens
from service.store.schema.core_tables import PersonRow
from service.store.schema.delivery_tables import TokenRow

PURPOSE = "feed"
ALL = "all"
NONCE_BYTES = 20


@dataclass(frozen=True, slots=True)
class FeedOwner:
    """Whose feed an address opens, and which: `all`, `site-ID` or `subscription-ID`."""

    person: PersonRow
    scope: str

    @property
    def scope_id(self) -> int | None:
        _, dash, number = self.scope.rpartition("-")
        return int(number) if dash and number.isascii() and number.isdigit() else None


def find_key(session: Session, person_id: int) -> TokenRow | None:
    """The person's feed key, or None before they asked for addresses."""
    return tokens.newest_of(session, PURPOSE, person_id)


def make_key(session: Session, person_id: int, now: datetime) -> TokenRow:
    """A new key; every address made with an older one is dead from now on."""
    known = find_key(session, person_id)
    if known is not None:
        known.used_at = now
    nonce = secrets.token_hex(NONCE_BYTES)
    digest = hashlib.sha256(f"{PURPOSE}:{nonce}".encode()).hexdigest()
    row = TokenRow(purpose=PURPOSE, digest=digest, nonce=nonce, person_id=person_id, created_at=now)
    session.add(row)
    session.flush()
    return row


def feed_path(keys: Keys, key: TokenRow, scope: str, ending: str) -> str:
    """`/feeds/12-site-3-MAC.ics`. ending: ics, atom or geojson."""
    return f"/feeds/{key.id}-{scope}-{_mac(keys, key, scope)}.{ending}"


def find_owner(session: Session, keys: Keys, name: str) -> FeedOwner | None:
    """Whose feed that is, by the name without its ending; None when it opens nothing."""
    key_id, _, rest = name.partition("-")
    scope, mac = rest[: -MAC_CHARS - 1], rest[-MAC_CHARS:]
    if not (key_id.isascii() and key_id.isdigit() and len(key_id) < 19):
        return None
    key = session.get(TokenRow, int(key_id))
    if key is None or key.purpose != PURPOSE or key.used_at is not None or key.nonce is None:
        return None
    if not hmac.compare_digest(mac.encode(), _mac(keys, key, scope).encode()):
        return None
    person = session.get(PersonRow, key.person_id)
    return None if person is None else FeedOwner(person, scope)


MAC_CHARS = 32


def _mac(keys: Keys, key: TokenRow, scope: str) -> str:
    """192 bits, safe in a URL."""
    return keys.link_token(f"feed {scope}", key.nonce or "")
