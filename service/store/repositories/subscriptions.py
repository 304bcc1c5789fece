"""Subscriptions: made, changed, paused and ended; which there are of a site, of an address, of a person."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Select, func, or_, select, update
from sqlalchemy.orm import Session

from alerts.common.clock_times import at_clock, zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.plain_values import value
from alerts.field.kit import parse_kit
from alerts.field.trip_plan import with_home
from alerts.sites.model import Site
from alerts.wishes.model import Wishes
from service.store.engine import in_chunks
from service.store.json_values import from_json, to_json
from service.store.repositories import rounded_sites
from service.store.repositories.nights import sky_key
from service.store.repositories.rounded_sites import with_copy
from service.store.schema.core_tables import AddressRow, DecisionRow, PersonRow, SiteRow, SubscriptionRow

LONGEST_PAUSE = timedelta(days=2 * 366)
S = TypeVar("S", bound="Select[*tuple[Any, ...]]")


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
    newest = None if person.home is None else rounded_sites.newest_description(session, site_id)
    return with_home(clocked, person.home, None if newest is None else from_json(Site, newest.facts["site"]))


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


def pause_subscription(session: Session, subscription: SubscriptionRow, until: datetime) -> None:
    """Judge nothing for it until then; a go that was told is still taken back when it must be."""
    subscription.paused_until, subscription.look_again_at = until, None
    session.flush()


def resume_subscription(session: Session, subscription: SubscriptionRow) -> None:
    """End a pause."""
    subscription.paused_until = subscription.look_again_at = None
    session.flush()


def end_subscription(session: Session, subscription: SubscriptionRow, now: datetime, why: str) -> None:
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
    """Subscriptions that are judged now."""
    query = only_active(select(SubscriptionRow), now)
    return list(session.scalars(query.order_by(SubscriptionRow.address_id, SubscriptionRow.id)))


def only_active(query: S, now: datetime) -> S:
    """A query about subscriptions with their addresses and sites, over those that are judged now: running,
    not paused, at a confirmed address that is on."""
    row = SubscriptionRow
    return (
        query.join(AddressRow, AddressRow.id == row.address_id)
        .join(SiteRow, SiteRow.id == row.site_id)
        .where(
            row.ended_at.is_(None),
            or_(row.paused_until.is_(None), row.paused_until <= now),
            AddressRow.confirmed_at.is_not(None),
            AddressRow.off_since.is_(None),
            SiteRow.archived_at.is_(None),
        )
    )


def watched_sites(session: Session, now: datetime) -> int:
    """How many sites somebody is told about now."""
    count = func.count(SubscriptionRow.site_id.distinct())
    return session.scalar(only_active(select(count).select_from(SubscriptionRow), now)) or 0


def is_left(subscription: SubscriptionRow, now: datetime) -> bool:
    """Whether it ended or is paused: nothing is wanted then but what calls somebody back."""
    is_paused = subscription.paused_until is not None and subscription.paused_until > now
    return subscription.ended_at is not None or is_paused


def end_of_pause(day: date, zone: str, now: datetime) -> datetime:
    """The noon of that day on the clock of the person's zone; BadInput where it is past or far off."""
    until = at_clock(day, time(12), zone_info(zone))
    if not now < until < now + LONGEST_PAUSE:
        raise BadInput(phrase("store.pause-out-of-range"))
    return until


def running_subscriptions(
    session: Session,
    *,
    site_ids: Collection[int] | None = None,
    person_id: int | None = None,
    address_id: int | None = None,
) -> list[SubscriptionRow]:
    """The running ones, oldest first: all, or those to these sites, of that person, of that address."""
    query = select(SubscriptionRow).where(*_running(site_ids, person_id, address_id))
    return list(session.scalars(query.order_by(SubscriptionRow.id)))


def _running(
    site_ids: Collection[int] | Select[int] | None = None,
    person_id: int | None = None,
    address_id: int | None = None,
) -> Iterator[ColumnElement[bool]]:
    row = SubscriptionRow
    yield row.ended_at.is_(None)
    if site_ids is not None:
        yield row.site_id.in_(site_ids)
    if person_id is not None:
        yield row.person_id == person_id
    if address_id is not None:
        yield row.address_id == address_id


def is_told(
    session: Session, site_id: int, *, person_id: int | None = None, address_id: int | None = None
) -> bool:
    """Whether a person, or an address, is told of that site now."""
    query = select(SubscriptionRow.id).where(*_running([site_id], person_id, address_id))
    return session.scalar(query.limit(1)) is not None


def newest_at(session: Session, site_id: int, person_id: int | None = None) -> int | None:
    """The number of the newest running one to a site or its copy, of everybody or of one person."""
    query = select(SubscriptionRow.id).where(*_running(with_copy(site_id), person_id))
    return session.scalar(query.order_by(SubscriptionRow.id.desc()).limit(1))


def oldest_by_site(session: Session, site_ids: Collection[int], person_id: int) -> dict[int, int]:
    """For each of these sites the number of that person's oldest running one."""
    query = select(SubscriptionRow.site_id, SubscriptionRow.id).where(*_running(site_ids, person_id))
    return {row[0]: row[1] for row in session.execute(query.order_by(SubscriptionRow.id.desc()))}


def told_of_night(session: Session, site_id: int, night_name: date) -> list[SubscriptionRow]:
    """The running ones to a site or its copy, and those that ended since and were judged for that night."""
    judged = select(DecisionRow.subscription_id).where(DecisionRow.night_name == night_name)
    query = select(SubscriptionRow).where(
        SubscriptionRow.site_id.in_(with_copy(site_id)),
        or_(SubscriptionRow.ended_at.is_(None), SubscriptionRow.id.in_(judged)),
    )
    return list(session.scalars(query.order_by(SubscriptionRow.id)))


@value(frozen=True, slots=True)
class SubscriptionFacts:
    """A subscription in few columns, as far as it matters for whether it can ring.

    shortest, trips: of its wishes, as JSON texts.
    """

    number: int
    site_id: int
    site_name: str
    limit_pct: int
    shortest: str
    trips_only: bool | None
    trips: str | None
    paused_until: datetime | None
    ended_at: datetime | None
    address_id: int
    channel: str
    target: str
    confirmed_at: datetime | None
    off_since: datetime | None
    off_reason: str | None


def facts_of(session: Session, number: int) -> SubscriptionFacts:
    """Those of one subscription, ended or not."""
    return next(_facts(session, SubscriptionRow.id == number))


def facts_at(session: Session, site_id: int, person_id: int | None = None) -> list[SubscriptionFacts]:
    """Those of the running subscriptions to a site or its copy, of everybody or of one person."""
    mine = [] if person_id is None else [SubscriptionRow.person_id == person_id]
    return list(_facts(session, SubscriptionRow.site_id.in_(with_copy(site_id)), *_RUNNING, *mine))


def facts_concerning(session: Session, person_id: int | None) -> list[SubscriptionFacts]:
    """Those of all running subscriptions, or of a person's; the operator's are also those that they have
    others told by."""
    if person_id is None:
        return list(_facts(session, *_RUNNING))
    mine = SubscriptionRow.person_id == person_id
    is_operator = session.get_one(PersonRow, person_id).is_operator
    return list(_facts(session, *_RUNNING, mine | (SiteRow.owner_id == person_id) if is_operator else mine))


_RUNNING = (SubscriptionRow.ended_at.is_(None), SiteRow.archived_at.is_(None))


def _facts(session: Session, *which: ColumnElement[bool]) -> Iterator[SubscriptionFacts]:
    row = SubscriptionRow
    query = (
        select(
            row.id,
            row.site_id,
            SiteRow.name,
            row.wishes["chance_go_pct"].as_integer(),
            row.wishes["shortest_window"].as_string(),
            row.wishes["trips_only"].as_boolean(),
            row.wishes["trips"].as_string(),
            row.paused_until,
            row.ended_at,
            AddressRow.id,
            AddressRow.channel,
            AddressRow.target,
            AddressRow.confirmed_at,
            AddressRow.off_since,
            AddressRow.off_reason,
        )
        .join(AddressRow, AddressRow.id == row.address_id)
        .join(SiteRow, SiteRow.id == row.site_id)
        .where(*which)
        .order_by(row.id)
    )
    return (SubscriptionFacts(*each) for each in session.execute(query))


def subscriptions_by_id(session: Session, ids: Collection[int]) -> dict[int, SubscriptionRow]:
    """These subscriptions by their number, ended or not."""
    return {
        row.id: row for row in session.scalars(select(SubscriptionRow).where(SubscriptionRow.id.in_(ids)))
    }


def active_of_addresses(session: Session, address_ids: Collection[int], now: datetime) -> set[int]:
    """The numbers of the subscriptions of these addresses that are judged now."""
    found = set[int]()
    for ids in in_chunks(sorted(address_ids)):
        query = only_active(select(SubscriptionRow.id), now)
        found.update(session.scalars(query.where(SubscriptionRow.address_id.in_(ids))))
    return found


def end_subscriptions(session: Session, ids: Collection[int], now: datetime, why: str) -> None:
    """End these for good."""
    if ids:
        ending = (
            update(SubscriptionRow).where(SubscriptionRow.id.in_(ids)).values(ended_at=now, ended_why=why)
        )
        session.execute(ending.execution_options(synchronize_session=False))


def end_of_address(session: Session, address_id: int, now: datetime) -> None:
    """End all that runs at an address."""
    session.execute(
        update(SubscriptionRow)
        .where(SubscriptionRow.address_id == address_id, SubscriptionRow.ended_at.is_(None))
        .values(ended_at=now)
    )


def subscriptions_of_address(session: Session, address_id: int) -> list[SubscriptionRow]:
    """All of an address, ended ones too."""
    return list(session.scalars(select(SubscriptionRow).where(SubscriptionRow.address_id == address_id)))
