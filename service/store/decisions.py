"""Decisions and the outlooks they rest on."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.store import tables

SubscriptionNight = tuple[int, date]


def newest_decisions(
    session: Session, subscription_ids: Iterable[int], first: date
) -> dict[SubscriptionNight, tables.Decision]:
    """The newest decision for each subscription and night from `first` on."""
    newest = (
        select(func.max(tables.Decision.id))
        .where(
            tables.Decision.subscription_id.in_(set(subscription_ids)), tables.Decision.night_name >= first
        )
        .group_by(tables.Decision.subscription_id, tables.Decision.night_name)
    )
    rows = session.scalars(select(tables.Decision).where(tables.Decision.id.in_(newest)))
    return {(row.subscription_id, row.night_name): row for row in rows}


def newest_decision(session: Session, subscription_id: int, night_name: date) -> tables.Decision | None:
    """The newest decision for that subscription and night, or None when there is none."""
    query = (
        select(tables.Decision)
        .where(tables.Decision.subscription_id == subscription_id, tables.Decision.night_name == night_name)
        .order_by(tables.Decision.id.desc())
        .limit(1)
    )
    return session.scalar(query)


def find_decisions(session: Session, subscription_id: int, night_name: date) -> list[tables.Decision]:
    """All decisions for that subscription and night, oldest first."""
    query = select(tables.Decision).where(
        tables.Decision.subscription_id == subscription_id, tables.Decision.night_name == night_name
    )
    return list(session.scalars(query.order_by(tables.Decision.id)))


def keep_outlook(session: Session, row: tables.Outlook, *, as_of: datetime) -> tables.Outlook:
    """The stored outlook made of the same inputs, or this one as a new row."""
    known = session.scalar(
        select(tables.Outlook).where(
            tables.Outlook.night_id == row.night_id,
            tables.Outlook.window_index == row.window_index,
            tables.Outlook.shortest_minutes == row.shortest_minutes,
            tables.Outlook.inputs == row.inputs,
        )
    )
    if known is not None:
        return known
    row.as_of = as_of
    session.add(row)
    session.flush()
    return row
