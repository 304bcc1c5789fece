"""People: who runs this installation, who may keep sites here, where each sets out."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.field.trip_plan import Home
from service.store.repositories.subscriptions import estimate_drives, running_subscriptions
from service.store.schema.core_tables import PersonRow, SiteRow

UNKNOWN_ZONE = "UTC"
"""The clock of a person of whom nothing is known yet; the first site tells (`sites.add_site`)."""


def find_people(session: Session, *, most: int) -> list[PersonRow]:
    """People, those who came first."""
    return list(session.scalars(select(PersonRow).order_by(PersonRow.id).limit(most)))


def find_operator(session: Session) -> PersonRow | None:
    """The person who runs this installation; None before the first use."""
    return session.scalar(select(PersonRow).where(PersonRow.is_operator).order_by(PersonRow.id))


def get_operator(session: Session, *, zone: str, now: datetime) -> PersonRow:
    """The person who runs this installation; made on first use."""
    operator = find_operator(session)
    if operator is None:
        operator = PersonRow(name="operator", zone=zone, is_operator=True, created_at=now)
        session.add(operator)
        session.flush()
    return operator


def may_keep(person: PersonRow, *, open_sign_up: bool) -> bool:
    """Whether they may keep sites here, and with it what costs the feeds and this machine: imports, keys for
    programs, verdicts on request. The operator gives the right, or open sign-up does to all."""
    return person.is_operator or person.may_keep_sites or open_sign_up


def keeping_without_right(session: Session) -> list[int]:
    """People who have sites here and weren't given the right to keep any."""
    query = (
        select(PersonRow.id)
        .join(SiteRow, SiteRow.owner_id == PersonRow.id)
        .where(
            SiteRow.archived_at.is_(None),
            PersonRow.is_operator.is_(False),
            PersonRow.may_keep_sites.is_(False),
        )
        .distinct()
    )
    return sorted(session.scalars(query))


def set_home(session: Session, person: PersonRow, home: Home | None) -> None:
    """Keep where they set out, rounded, or forget it; their drives are estimated anew and looked at again."""
    kept = home.rounded if home is not None else None
    person.home_lat_deg = kept.lat_deg if kept else None
    person.home_lon_deg = kept.lon_deg if kept else None
    person.home_speed_kmh = kept.speed_kmh if kept else None
    session.flush()
    estimate_drives(session, running_subscriptions(session, person_id=person.id))
