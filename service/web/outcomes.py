"""How a night was, as people who were there say it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store import tables
from service.web.access import Viewer


def said_outcome(session: Session, site_id: int, name: date, viewer: Viewer | None) -> str:
    """What the viewer said last of that night; "" when nothing."""
    if viewer is None:
        return ""
    query = (
        select(tables.Outcome.facts)
        .where(
            tables.Outcome.site_id == site_id,
            tables.Outcome.night_name == name,
            tables.Outcome.person_id == viewer.person_id,
        )
        .order_by(tables.Outcome.id.desc())
        .limit(1)
    )
    facts = session.scalar(query)
    return str(facts.get("seen", "")) if facts else ""


def outcomes_of(session: Session, site_id: int, names: Iterable[date], viewer: Viewer) -> dict[date, str]:
    """What the viewer said of those nights, by night."""
    rows = session.execute(
        select(tables.Outcome.night_name, tables.Outcome.facts)
        .where(
            tables.Outcome.site_id == site_id,
            tables.Outcome.night_name.in_(set(names)),
            tables.Outcome.person_id == viewer.person_id,
        )
        .order_by(tables.Outcome.id)
    )
    return {name: str(facts.get("seen", "")) for name, facts in rows}
