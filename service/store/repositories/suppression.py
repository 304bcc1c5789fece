"""The list of addresses that get nothing, kept as keyed hashes: bounced, complained, opted out, erased; and
how often each was asked to confirm."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service.common.secret_key import Keys
from service.store.engine import changed_rows, insert_into
from service.store.schema.delivery_tables import AskingRow, BounceRow, SuppressionRow

STRIKES = 2
"""Hard bounces of different messages after which an address is taken for dead."""


class BarReason(StrEnum):
    BOUNCED = "bounced"
    COMPLAINED = "complained"
    OPTED_OUT = "opted_out"


class BounceKind(StrEnum):
    HARD = "hard"
    COMPLAINT = "complaint"


def address_hash(keys: Keys, channel: str, target: str) -> str:
    """The same for every spelling of a mail address that reaches the same mailbox in practice."""
    return keys.hash("address", f"{channel}:{target.strip().casefold() if channel == 'email' else target}")


def suppress(session: Session, hashed: str, reason: BarReason, detail: str, now: datetime) -> None:
    """Put the address on the list; the first reason stays."""
    session.execute(
        insert_into(session, SuppressionRow)
        .values(address_hash=hashed, reason=reason, detail=detail, since=now)
        .on_conflict_do_nothing(index_elements=["address_hash"])
    )


def lift(session: Session, hashed: str, *reasons: BarReason) -> bool:
    """Take the address off the list if it is on it for one of these reasons; whether it was."""
    listed = SuppressionRow.address_hash == hashed, SuppressionRow.reason.in_(reasons)
    was_listed = changed_rows(session, delete(SuppressionRow).where(*listed)) > 0
    if was_listed and BarReason.BOUNCED in reasons:
        session.execute(delete(BounceRow).where(BounceRow.address_hash == hashed))
    return was_listed


def find_suppressed(session: Session, hashes: Iterable[str]) -> dict[str, BarReason]:
    """Which of the addresses are on the list, and why."""
    rows = session.execute(
        select(SuppressionRow.address_hash, SuppressionRow.reason).where(
            SuppressionRow.address_hash.in_(set(hashes))
        )
    )
    return {hashed: BarReason(reason) for hashed, reason in rows}


@dataclass(frozen=True, slots=True)
class Bounce:
    """A mail that came back."""

    kind: BounceKind
    code: str
    message_id: str


def note_bounce(session: Session, hashed: str, bounce: Bounce, now: datetime) -> bool:
    """Keep a bounce once per message; whether the address has now got onto the list."""
    values = {"address_hash": hashed, "message_id": bounce.message_id, "kind": bounce.kind}
    is_new = changed_rows(
        session,
        insert_into(session, BounceRow)
        .values(**values, code=bounce.code[:20], seen_at=now)
        .on_conflict_do_nothing(index_elements=["address_hash", "message_id", "kind"]),
    )
    if not is_new or find_suppressed(session, [hashed]):
        return False
    if bounce.kind is BounceKind.COMPLAINT:
        suppress(session, hashed, BarReason.COMPLAINED, bounce.code, now)
        return True
    strikes = session.scalar(
        select(func.count(func.distinct(BounceRow.message_id))).where(
            BounceRow.address_hash == hashed, BounceRow.kind == BounceKind.HARD
        )
    )
    if (strikes or 0) < STRIKES:
        return False
    suppress(session, hashed, BarReason.BOUNCED, bounce.code, now)
    return True


def note_asking(session: Session, hashed: str, now: datetime) -> None:
    """Count that the address was asked to confirm."""
    session.execute(
        insert_into(session, AskingRow)
        .values(address_hash=hashed, times=1, last_at=now)
        .on_conflict_do_update(
            index_elements=["address_hash"], set_={"times": AskingRow.times + 1, "last_at": now}
        )
    )


def count_askings(session: Session, hashed: str) -> int:
    """How often the address was asked to confirm since it last did."""
    asking = session.get(AskingRow, hashed)
    return 0 if asking is None else asking.times


def forget_askings(session: Session, hashed: str) -> None:
    session.execute(delete(AskingRow).where(AskingRow.address_hash == hashed))
