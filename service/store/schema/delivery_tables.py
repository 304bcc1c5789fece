"""The tables of delivery and of what strangers can touch; the others are in tables.py.

address ── endpoint          message ── notice          destination (breakers)      trouble
   └─ token ─ person                                    suppression, bounce         limit_bucket, asking
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.store.schema.core_tables import Table


class NoticeRow(Table):
    """What a message says that carries no alert: a confirmation, a sign-in link, a word to an owner."""

    __tablename__ = "notice"

    message_id: Mapped[str] = mapped_column(ForeignKey("message.id"), primary_key=True)
    kind: Mapped[str] = mapped_column(String(24))
    facts: Mapped[dict[str, Any]]


class EndpointRow(Table):
    """How an address has fared of late; a row exists once something went wrong or its secret was changed."""

    __tablename__ = "endpoint"

    address_id: Mapped[int] = mapped_column(ForeignKey("address.id"), primary_key=True)
    failures: Mapped[int]
    failing_since: Mapped[datetime | None]
    last_failure_at: Mapped[datetime | None]
    owner_told_at: Mapped[datetime | None]
    secret_changed_at: Mapped[datetime | None]


class DestinationRow(Table):
    """The breaker of one host, or of the mail relay. A row exists while something is wrong with it.

    addresses: ids of the first few that failed there; nothing where the failures are the destination's own.
    """

    __tablename__ = "destination"

    key: Mapped[str] = mapped_column(String(300), primary_key=True)
    failures: Mapped[int]
    pause_s: Mapped[int]
    opened_at: Mapped[datetime | None]
    open_until: Mapped[datetime | None]
    code: Mapped[str] = mapped_column(String(20))
    addresses: Mapped[list[Any] | None]


class TokenRow(Table):
    """A secret given to one person for one purpose; only its hash is kept.

    nonce: with the installation's key it makes the same link again (unsubscribe); None for the rest.
    seen_at: of a signed-in browser, to the hour. scope: what a program's key may do (`tokens.Scope`), None
    for one made before there were scopes. warned_at: when its owner was told that it ends soon.
    """

    __tablename__ = "token"
    __table_args__ = (Index("ix_token_address_purpose", "address_id", "purpose"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    purpose: Mapped[str] = mapped_column(String(20))
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    nonce: Mapped[str | None] = mapped_column(String(64))
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"), index=True)
    address_id: Mapped[int | None] = mapped_column(ForeignKey("address.id"))
    label: Mapped[str | None] = mapped_column(String(80))
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime | None] = mapped_column(index=True)
    used_at: Mapped[datetime | None]
    seen_at: Mapped[datetime | None]
    scope: Mapped[str | None] = mapped_column(String(60))
    warned_at: Mapped[datetime | None]


class LimitBucketRow(Table):
    """A token bucket; the key is a purpose with a keyed hash of whom it limits."""

    __tablename__ = "limit_bucket"

    key: Mapped[str] = mapped_column(String(120), primary_key=True)
    level: Mapped[float]
    filled_at: Mapped[datetime] = mapped_column(index=True)


class AskingRow(Table):
    """How often an address was asked to confirm since it last did; kept by keyed hash."""

    __tablename__ = "asking"

    address_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    times: Mapped[int]
    last_at: Mapped[datetime]


class SuppressionRow(Table):
    """An address that gets nothing, kept by keyed hash so that it outlives the address itself."""

    __tablename__ = "suppression"

    address_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    reason: Mapped[str] = mapped_column(String(20))
    detail: Mapped[str] = mapped_column(Text)
    since: Mapped[datetime]


class BounceRow(Table):
    """A mail that came back, once per message and code however often it is read."""

    __tablename__ = "bounce"
    __table_args__ = (UniqueConstraint("address_hash", "message_id", "kind"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    address_hash: Mapped[str] = mapped_column(String(64))
    message_id: Mapped[str] = mapped_column(String(40))
    kind: Mapped[str] = mapped_column(String(12))
    code: Mapped[str] = mapped_column(String(20))
    seen_at: Mapped[datetime]


class TroubleRow(Table):
    """Something that the operator has to know; told once, and once more when it is over."""

    __tablename__ = "trouble"

    key: Mapped[str] = mapped_column(String(80), primary_key=True)
    text: Mapped[str] = mapped_column(Text)
    since: Mapped[datetime]
    last_at: Mapped[datetime]
    told_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]
