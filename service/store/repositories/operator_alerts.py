"""What the operator has to know, each thing told once and its end once."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from sqlalchemy import and_, delete, or_, select
from sqlalchemy.orm import Session

from service.store.engine import insert_into
from service.store.schema.delivery_tables import TroubleRow

PASSES_AFTER = timedelta(hours=24)
"""A single event (no lasting state) counts as over when it hasn't come again for a day."""
KEPT = timedelta(days=30)


def note_trouble(session: Session, key: str, text: str, now: datetime) -> None:
    """Keep that something is wrong; one that was over begins anew."""
    session.execute(
        insert_into(session, TroubleRow).values(key=key, text=text, since=now, last_at=now)
        .on_conflict_do_nothing(index_elements=["key"])
    )  # fmt: skip
    row = session.get_one(TroubleRow, key, populate_existing=True)
    if row.ended_at is not None:
        row.since, row.told_at, row.ended_at = now, None, None
    row.last_at, row.text = now, text


def end_troubles(session: Session, still: Iterable[str], lasting: Iterable[str], now: datetime) -> None:
    """End the lasting troubles that aren't in `still`, and events that didn't come again for a day.

    lasting: the keys that are looked at each time. The end of an event is nothing to tell of.
    """
    still, lasting = set(still), set(lasting)
    for row in session.scalars(select(TroubleRow).where(TroubleRow.ended_at.is_(None))):
        if row.key in lasting and row.key not in still:
            row.ended_at = now
        elif row.key not in lasting and now - row.last_at > PASSES_AFTER:
            row.ended_at = row.told_at = now


def find_open(session: Session) -> list[TroubleRow]:
    """What is wrong now, the longest first."""
    return list(
        session.scalars(select(TroubleRow).where(TroubleRow.ended_at.is_(None)).order_by(TroubleRow.since))
    )


def find_untold(session: Session) -> list[TroubleRow]:
    """Troubles that began, or ended after they were told, without the operator having heard; oldest first."""
    began = and_(TroubleRow.told_at.is_(None), TroubleRow.ended_at.is_(None))
    ended = TroubleRow.told_at < TroubleRow.ended_at
    return list(session.scalars(select(TroubleRow).where(or_(began, ended)).order_by(TroubleRow.since)))


def forget_old(session: Session, now: datetime) -> None:
    """Drop what has been over for a month."""
    session.execute(delete(TroubleRow).where(TroubleRow.ended_at < now - KEPT))


def mark_told(session: Session, key: str, now: datetime) -> None:
    """The operator has heard of it as it is now."""
    session.get_one(TroubleRow, key).told_at = now
