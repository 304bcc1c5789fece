"""People, their addresses and their subscriptions."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta

from sqlalchemy import ColumnElement, func, or_, select, update
from sqlalchemy.orm import Session

from alerts import RULES_VERSION
from alerts.common.clock_times import at_clock, zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.field.driving import Home, with_home
from alerts.field.kit import parse_kit
from alerts.sites.model import Site
from alerts.sky.night import SkyWishes
from alerts.wishes.model import Wishes
from service.store.engine import in_chunks
from service.store.json_values import from_json, to_json
from service.store.repositories import rounded_sites
from service.store.schema.core_tables import AddressRow, PersonRow, SiteRevisionRow, SiteRow, SubscriptionRow

REMOVED = "removed on the page"
"""Why an address is off that its person has removed: as rows keep it and queries find it, so not of the
catalogue."""
UNKNOWN_ZONE = "UTC"
"""The clock of a person of whom nothing is known yet; the first site tells (`sites.add_site`)."""


def sky_key(wishes: SkyWishes) -> str:
    """One text for sky wishes that share their nights, quantised (see `shared_sky`)."""
    shared = shared_sky(wishes)
    target, lowest_deg = shared.target, shared.lowest_altitude_deg
    lowest = "auto" if lowest_deg is None else f"{lowest_deg:g}"
    named = hashlib.sha256(target.name.encode()).hexdigest()[:8] if target.name else ""
    place = (
        ""
        if target.ra_deg is None or target.dec_deg is None
        else f"{named}@{target.ra_deg:.2f}{target.dec_deg:+.2f}"
    )
    arc = "" if target.arc_l_deg is None else f"[{target.arc_l_deg[0]:g}-{target.arc_l_deg[1]:g}]"
    loss = shared.most_loss_mag
    moon = "moonless" if shared.moonless else "any-moon" if loss is None else f"loss{loss:g}"
    return f"{target.kind}{place}{arc}|{shared.darkness}|{moon}|{lowest}"


def night_key(wishes: SkyWishes) -> str:
    """The key that nights under these sky wishes are stored by: with the version of the rules that made
    them, so that after a mended rule they are made anew, and those that decisions rest on stay."""
    return versioned(sky_key(wishes))


def versioned(key: str, version: str = "") -> str:
    """The night key of a sky key; version: other rules than today's."""
    return f"{key}|r{version or RULES_VERSION}"


def shared_sky(wishes: SkyWishes) -> SkyWishes:
    """The wishes that nights are worked out for: altitudes to 0.5 degrees, losses to 0.05 mag and no less,
    places to 0.01 degrees, so that thousands of subscriptions share them."""
    target = wishes.target
    if target.ra_deg is not None and target.dec_deg is not None:
        target = replace(target, ra_deg=round(target.ra_deg, 2), dec_deg=round(target.dec_deg, 2))
    lowest_deg, loss_mag = wishes.lowest_altitude_deg, wishes.most_loss_mag
    return replace(
        wishes,
        target=target,
        lowest_altitude_deg=None if lowest_deg is None else round(lowest_deg * 2) / 2,
        most_loss_mag=None if wishes.moonless or loss_mag is None else max(0.05, round(loss_mag * 20) / 20),
    )


def default_wishes() -> Wishes:
    """Wishes for who names none: the core's limit follows from the site's latitude."""
    return Wishes(sky=SkyWishes(lowest_altitude_deg=None))


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


def add_address(
    session: Session,
    person: PersonRow,
    channel: str,
    target: str,
    *,
    secrets: list[str],
    now: datetime,
    is_own: bool = False,
) -> AddressRow:
    """The person's address of that channel, confirmed by the operator's act; the old one if it exists.

    is_own: it is the operator's own, and lets its reader in.
    """
    known = session.scalar(
        select(AddressRow).where(
            AddressRow.person_id == person.id,
            AddressRow.channel == channel,
            AddressRow.target == target,
        )
    )
    if known is not None:
        return known
    address = AddressRow(
        person=person,
        channel=channel,
        target=target,
        secrets=secrets,
        is_own=is_own,
        created_at=now,
        confirmed_at=now,
    )
    session.add(address)
    session.flush()
    return address


def subscribe(
    session: Session, address: AddressRow, site: SiteRow, wishes: Wishes, *, now: datetime
) -> SubscriptionRow:
    """Subscribe the address to the site, or to its copy where it is somebody else's; BadInput when it
    already is.

    Wishes without a clock of their own are read on the person's.
    """
    site = rounded_sites.site_for(session, address.person_id, site, now)
    running = session.scalar(
        select(SubscriptionRow).where(
            SubscriptionRow.address_id == address.id,
            SubscriptionRow.site_id == site.id,
            SubscriptionRow.ended_at.is_(None),
        )
    )
    if running is not None:
        raise BadInput(
            phrase("store.subscribed-already", target=address.target, name=site.name, id=running.id)
        )
    wishes = _as_kept(session, wishes, address.person, site.id)
    subscription = SubscriptionRow(
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


def _as_kept(session: Session, wishes: Wishes, person: PersonRow, site_id: int) -> Wishes:
    """With a clock, the person's unless it is named, and the drive to the site as their home has it."""
    clocked = wishes if wishes.clock_zone else replace(wishes, clock_zone=person.zone)
    home = home_of(person)
    return with_home(clocked, home, None if home is None else _newest_site(session, site_id))


def _newest_site(session: Session, site_id: int) -> Site:
    row = SiteRevisionRow
    query = select(row.facts).where(row.site_id == site_id).order_by(row.revision.desc()).limit(1)
    return from_json(Site, session.scalars(query).one()["site"])


def home_of(person: PersonRow) -> Home | None:
    """Where that person sets out; None while nobody said."""
    lat_deg, lon_deg, speed_kmh = person.home_lat_deg, person.home_lon_deg, person.home_speed_kmh
    if lat_deg is None or lon_deg is None or speed_kmh is None:
        return None
    return Home(lat_deg, lon_deg, speed_kmh)


def set_home(session: Session, person: PersonRow, home: Home | None) -> None:
    """Keep where they set out, rounded, or forget it; their drives are estimated anew and looked at again."""
    kept = home.rounded if home is not None else None
    person.home_lat_deg = kept.lat_deg if kept else None
    person.home_lon_deg = kept.lon_deg if kept else None
    person.home_speed_kmh = kept.speed_kmh if kept else None
    session.flush()
    estimate_drives(session, running_subscriptions(session, person.id))


def estimate_drives(session: Session, subscriptions: Iterable[SubscriptionRow]) -> None:
    """Have their wishes, readable or not, hold the drive as their person's home and their site are now.

    A cycle reads nothing more for it, and a decision's copy of the wishes says what it rested on; reckoned
    while judging, an old decision would change with the home.
    """
    for row in subscriptions:
        estimate = to_json(_as_kept(session, Wishes(), row.person, row.site_id))["drive_estimate"]
        if row.wishes.get("drive_estimate") != estimate:
            row.wishes, row.look_again_at = {**row.wishes, "drive_estimate": estimate}, None
    session.flush()


def change_wishes(session: Session, subscription: SubscriptionRow, wishes: Wishes) -> None:
    """Judge by other wishes from the next cycle on."""
    wishes = _as_kept(session, wishes, subscription.person, subscription.site_id)
    subscription.wishes, subscription.sky_key = to_json(wishes), sky_key(wishes.sky)
    subscription.look_again_at = None
    session.flush()


def change_kit(session: Session, subscription: SubscriptionRow, kit: str) -> None:
    """Write messages for that camera and lens from now on, "" for the default; BadInput when unreadable."""
    text = kit.strip()
    if text:
        parse_kit(text)
    subscription.kit = text
    session.flush()


def get_subscription(session: Session, subscription_id: int) -> SubscriptionRow:
    """The running subscription of that number; BadInput when there is none."""
    row = session.get(SubscriptionRow, subscription_id)
    if row is None or row.ended_at is not None:
        raise BadInput(phrase("store.no-subscription", subscription_id=subscription_id))
    return row


def pause(session: Session, subscription: SubscriptionRow, until: datetime) -> None:
    """Judge nothing for it until then; a go that was told is still taken back when it must be."""
    subscription.paused_until, subscription.look_again_at = until, None
    session.flush()


def resume(session: Session, subscription: SubscriptionRow) -> None:
    """End a pause."""
    subscription.paused_until = subscription.look_again_at = None
    session.flush()


def end(session: Session, subscription: SubscriptionRow, now: datetime, why: str) -> None:
    """End a subscription for good; what was decided for it stays."""
    subscription.ended_at, subscription.ended_why = now, why
    subscription.look_again_at = None
    session.flush()


def look_again(session: Session, site_ids: Iterable[int]) -> None:
    """Have the subscriptions to these sites judged in the next cycle: something new is known."""
    for ids in in_chunks(sorted(set(site_ids))):
        session.execute(
            update(SubscriptionRow)
            .where(SubscriptionRow.site_id.in_(ids))
            .values(look_again_at=None)
            .execution_options(synchronize_session=False)
        )


def active_subscriptions(session: Session, now: datetime) -> list[SubscriptionRow]:
    """Subscriptions that are judged now: running, not paused, at a confirmed address that is on."""
    query = (
        select(SubscriptionRow)
        .join(AddressRow)
        .join(SiteRow)
        .where(*is_active(now))
        .order_by(SubscriptionRow.address_id, SubscriptionRow.id)
    )
    return list(session.scalars(query))


def is_active(now: datetime) -> tuple[ColumnElement[bool], ...]:
    """What makes a subscription, joined with its address and its site, one that is judged now."""
    return (
        SubscriptionRow.ended_at.is_(None),
        or_(SubscriptionRow.paused_until.is_(None), SubscriptionRow.paused_until <= now),
        AddressRow.confirmed_at.is_not(None),
        AddressRow.off_since.is_(None),
        SiteRow.archived_at.is_(None),
    )


def watched_sites(session: Session, now: datetime) -> int:
    """How many sites somebody is told about now."""
    row = SubscriptionRow
    query = (
        select(func.count(row.site_id.distinct()))
        .join(AddressRow, AddressRow.id == row.address_id)
        .join(SiteRow, SiteRow.id == row.site_id)
        .where(*is_active(now))
    )
    return session.scalar(query) or 0


def is_left(subscription: SubscriptionRow, now: datetime) -> bool:
    """Whether it ended or is paused: nothing is wanted then but what calls somebody back."""
    is_paused = subscription.paused_until is not None and subscription.paused_until > now
    return subscription.ended_at is not None or is_paused


def find_subscriptions(session: Session) -> list[SubscriptionRow]:
    """All running subscriptions, oldest first."""
    query = select(SubscriptionRow).where(SubscriptionRow.ended_at.is_(None))
    return list(session.scalars(query.order_by(SubscriptionRow.id)))


def subscriptions_to(session: Session, site_ids: Sequence[int]) -> list[SubscriptionRow]:
    """The running ones to these sites."""
    row = SubscriptionRow
    query = select(row).where(row.site_id.in_(site_ids), row.ended_at.is_(None))
    return list(session.scalars(query.order_by(row.id)))


def running_subscriptions(session: Session, person_id: int) -> list[SubscriptionRow]:
    """Those of one person, oldest first."""
    query = select(SubscriptionRow).where(
        SubscriptionRow.person_id == person_id, SubscriptionRow.ended_at.is_(None)
    )
    return list(session.scalars(query.order_by(SubscriptionRow.id)))


LONGEST_PAUSE = timedelta(days=2 * 366)


def end_of_pause(day: date, zone: str, now: datetime) -> datetime:
    """The noon of that day on the clock of the person's zone; BadInput where it is past or far off."""
    until = at_clock(day, time(12), zone_info(zone))
    if not now < until < now + LONGEST_PAUSE:
        raise BadInput(phrase("store.pause-out-of-range"))
    return until
