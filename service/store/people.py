"""People, their addresses and their subscriptions."""

from __future__ import annotations

from datetime import datetime

from email_validator import EmailNotValidError, validate_email
from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.errors import BadInput
from alerts.night import SkyWishes
from alerts.wishes import Wishes
from service.store import tables
from service.store.codec import to_json


def sky_key(wishes: SkyWishes) -> str:
    """One text for sky wishes that share their nights, quantised to 0.5 degrees of altitude."""
    target = wishes.target
    lowest = (
        "auto" if wishes.lowest_altitude_deg is None else f"{round(wishes.lowest_altitude_deg * 2) / 2:g}"
    )
    place = (
        ""
        if target.ra_deg is None or target.dec_deg is None
        else f"@{target.ra_deg:.2f}{target.dec_deg:+.2f}"
    )
    arc = "" if target.arc_l_deg is None else f"[{target.arc_l_deg[0]:g}-{target.arc_l_deg[1]:g}]"
    moon = "moonless" if wishes.moonless else "any-moon"
    return f"{target.kind}{place}{arc}|{wishes.darkness}|{moon}|{lowest}"


def default_wishes() -> Wishes:
    """Wishes for who names none: the core's limit follows from the site's latitude."""
    return Wishes(sky=SkyWishes(lowest_altitude_deg=None))


def get_operator(session: Session, *, zone: str, now: datetime) -> tables.Person:
    """The person who runs this installation; made on first use."""
    operator = session.scalar(
        select(tables.Person).where(tables.Person.is_operator).order_by(tables.Person.id)
    )
    if operator is None:
        operator = tables.Person(name="operator", zone=zone, is_operator=True, created_at=now)
        session.add(operator)
        session.flush()
    return operator


def checked_email(raw: str) -> str:
    """The address in its normal form; BadInput with the reason when it can't be one."""
    try:
        return validate_email(raw, check_deliverability=False).normalized
    except EmailNotValidError as error:
        raise BadInput(f"{raw!r} is no mail address: {error}") from None


def add_address(
    session: Session, person: tables.Person, channel: str, target: str, *, secrets: list[str], now: datetime
) -> tables.Address:
    """The person's address of that channel, confirmed by the operator's act; the old one if it exists."""
    known = session.scalar(
        select(tables.Address).where(
            tables.Address.person_id == person.id,
            tables.Address.channel == channel,
            tables.Address.target == target,
        )
    )
    if known is not None:
        return known
    address = tables.Address(
        person=person, channel=channel, target=target, secrets=secrets, created_at=now, confirmed_at=now
    )
    session.add(address)
    session.flush()
    return address


def subscribe(
    session: Session, address: tables.Address, site: tables.Site, wishes: Wishes, *, now: datetime
) -> tables.Subscription:
    """Subscribe the address to the site; BadInput when it already is."""
    running = session.scalar(
        select(tables.Subscription).where(
            tables.Subscription.address_id == address.id,
            tables.Subscription.site_id == site.id,
            tables.Subscription.ended_at.is_(None),
        )
    )
    if running is not None:
        raise BadInput(f"{address.target} is already subscribed to {site.name} (subscription {running.id}).")
    subscription = tables.Subscription(
        person_id=address.person_id,
        address=address,
        site=site,
        wishes=to_json(wishes),
        sky_key=sky_key(wishes.sky),
        created_at=now,
    )
    session.add(subscription)
    session.flush()
    return subscription


def active_subscriptions(session: Session, now: datetime) -> list[tables.Subscription]:
    """Subscriptions that are judged now: running, not paused, at a confirmed address that is on."""
    query = (
        select(tables.Subscription)
        .join(tables.Address)
        .join(tables.Site)
        .where(
            tables.Subscription.ended_at.is_(None),
            tables.Address.confirmed_at.is_not(None),
            tables.Address.off_since.is_(None),
            tables.Site.archived_at.is_(None),
        )
        .order_by(tables.Subscription.address_id, tables.Subscription.id)
    )
    return [row for row in session.scalars(query) if row.paused_until is None or row.paused_until <= now]


def find_subscriptions(session: Session) -> list[tables.Subscription]:
    """All running subscriptions, oldest first."""
    query = select(tables.Subscription).where(tables.Subscription.ended_at.is_(None))
    return list(session.scalars(query.order_by(tables.Subscription.id)))
