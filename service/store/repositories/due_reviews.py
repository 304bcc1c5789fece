"""What the subscriptions want, in few columns and few queries: skies, and whose nights are due for a look.

A night is due when time alone can change its verdict or word (`alerts/notifying/next_review.py`), when a feed
says something new of its place, when the subscription, its site or the calibration in use changes, or while
an alert of it is unsettled. So a cycle in which nothing changed is a few queries.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any

from pydantic import TypeAdapter
from sqlalchemy import Integer, Text, cast, func, or_, select, update
from sqlalchemy.orm import Session, aliased

from alerts.common.plain_values import value
from alerts.judging.rules import is_ruled_out
from alerts.notifying.model import AlertKind
from alerts.sites.model import Site
from alerts.sky.night import SkyWishes
from alerts.wishes.model import DEFAULT_WISHES, Trip, Wishes
from alerts.wishes.shared_sky import shared_sky
from service.store.engine import in_chunks
from service.store.repositories.messages import Status
from service.store.repositories.nights import night_key
from service.store.repositories.subscriptions import only_active
from service.store.schema.core_tables import (
    AlertRow,
    MessageAlertRow,
    MessageRow,
    SiteRevisionRow,
    SiteRow,
    SubscriptionRow,
    digest_of,
)
from service.store.schema.track_tables import CalibrationChoiceRow

NIGHTS_BACK = timedelta(days=2)
"""A night still running can carry the date of yesterday, or of the day before east of the date line."""
_CALLS = (AlertKind.GO, AlertKind.CHANGED)
_WISHES = TypeAdapter(Wishes)


@dataclass(frozen=True, slots=True)
class ParsedWishes:
    """Wishes as they are stored, read once for all who wish the same.

    skies: the shared sky wishes of each target by their night key, the one wanted most first. evenings: these
    and no more, as far as the choice of nights reads them.
    """

    wishes: Wishes
    digest: str
    skies: tuple[tuple[str, SkyWishes], ...]
    evenings: Wishes


@lru_cache(maxsize=20_000)
def parsed_wishes(text: str) -> ParsedWishes:
    """The wishes of a JSON text."""
    wishes = _WISHES.validate_json(text)
    skies = tuple((night_key(sky), shared_sky(sky)) for sky in wishes.skies)
    digest = digest_of(_WISHES.dump_python(wishes, mode="json"))
    evenings = _evenings(wishes.weekdays, wishes.trips, wishes.trips_only, wishes.days_ahead)
    return ParsedWishes(wishes, digest, skies, evenings)


@lru_cache(maxsize=1000)
def _evenings(
    weekdays: tuple[int, ...], trips: tuple[Trip, ...], trips_only: bool, days_ahead: int
) -> Wishes:
    return Wishes(weekdays=weekdays, trips=trips, trips_only=trips_only, days_ahead=days_ahead)


@dataclass(slots=True)
class SkyWant:
    """A site's sky that somebody wants to hear of.

    days_ahead: how many at most. evenings: which nights count and how far ahead, each such choice once.
    """

    sky: SkyWishes
    days_ahead: int = 0
    evenings: list[Wishes] = field(default_factory=list)

    def add(self, evenings: Wishes) -> None:
        self.days_ahead = max(self.days_ahead, evenings.days_ahead)
        if evenings not in self.evenings:
            self.evenings.append(evenings)

    def asks_for(self, night_name: date, starts: datetime, site: Site, now: datetime) -> bool:
        """Whether somebody could be told of that night: it is near enough, and they would go.

        Not on weekdays, trips or closed roads that rule it out: such verdicts need no weather, all year.
        """
        return any(
            starts < now + timedelta(days=each.days_ahead + 1) and not is_ruled_out(night_name, each, site)
            for each in self.evenings
        )


def sky_wants(session: Session, now: datetime) -> dict[tuple[int, str], SkyWant]:
    """By site and sky key, what the active subscriptions want; what pages show to others of the shared sites
    among them; and for those that paused or ended, the nights for which they were told a go, as it must be
    taken back if it sours."""
    row, copy = SubscriptionRow, aliased(SiteRow)
    wishes = select(row.site_id, cast(row.wishes, Text))
    wants: dict[tuple[int, str], SkyWant] = {}
    for site_id, text in session.execute(only_active(wishes, now)):
        known = parsed_wishes(text)
        for key, sky in known.skies:
            wants.setdefault((site_id, key), SkyWant(sky)).add(known.evenings)
    usual = parsed_wishes(_WISHES.dump_json(DEFAULT_WISHES).decode())
    # the copies of shared sites that somebody is told about: anybody may look at them, by the usual wishes;
    # joined by the site's subscription, so that who works out the site works out its copy
    shown = select(copy.id).join(row, row.site_id == copy.rounded_of_id)
    for site_id in session.scalars(only_active(shown, now).where(copy.is_shared).distinct()):
        for key, sky in usual.skies:
            wants.setdefault((site_id, key), SkyWant(sky)).add(usual.evenings)
    owed = (
        select(row.site_id, cast(row.wishes, Text), AlertRow.night_name)
        .join(AlertRow, AlertRow.subscription_id == row.id)
        .where(
            AlertRow.night_name >= (now - NIGHTS_BACK).date(),
            AlertRow.kind.in_(_CALLS),
            row.id.not_in(only_active(select(row.id), now)),
        )
        .distinct()
    )
    for site_id, text, told in session.execute(owed):
        for key, sky in parsed_wishes(text).skies:
            only_that = Wishes(trips=(Trip(told, told),), days_ahead=0)
            wants.setdefault((site_id, key), SkyWant(sky)).add(only_that)
    return wants


@dataclass(frozen=True, slots=True)
class DueReview:
    """A subscription with nights that are due for a look.

    owed_only: it is paused or ended, and only a stand-down for a go that was told may still be said.
    by_night: nothing new is known of it, so that its nights are due each by its own time, and `stirred`
    besides: those with a go, or with an alert that isn't on its way yet.
    """

    subscription_id: int
    address_id: int
    site_id: int
    owed_only: bool = False
    by_night: bool = False
    stirred: frozenset[date] = frozenset()


def due_reviews(session: Session, now: datetime) -> list[DueReview]:
    """Subscriptions for which another verdict or word is possible now, by address.

    Those that are due by time or by something new, another calibration too; those with a go told for a night
    that isn't over; those with an alert that isn't on its way yet, or ended unsent.
    """
    row = SubscriptionRow
    columns = row.id, row.address_id, row.site_id
    # when another calibration was chosen last; nobody's look is older than NULL
    chosen_at = CalibrationChoiceRow.chosen_at
    last_choice = select(func.max(chosen_at)).where(chosen_at <= now).scalar_subquery()
    is_anew = or_(row.look_again_at.is_(None), row.judged_at > now, row.judged_at <= last_choice)
    active = only_active(select(*columns, is_anew.label("is_anew")), now)
    stirred = _stirred(session, (now - NIGHTS_BACK).date())
    rows = list(session.execute(active.where(or_(is_anew, row.look_again_at <= now))))
    for ids in in_chunks(sorted(set(stirred) - {each.id for each in rows})):
        rows += session.execute(active.where(row.id.in_(ids)))
    found = {
        each.id: DueReview(*each[:3], by_night=not each.is_anew, stirred=frozenset(stirred.get(each.id, ())))
        for each in rows
    }
    owed = sorted({one for one, nights in stirred.items() if any(nights.values())} - set(found))
    for ids in in_chunks(owed):
        chosen = select(*columns).where(row.id.in_(ids))
        found |= {each[0]: DueReview(*each, owed_only=True) for each in session.execute(chosen)}
    return sorted(found.values(), key=lambda each: (each.address_id, each.subscription_id))


def _stirred(session: Session, first: date) -> dict[int, dict[date, bool]]:
    """Subscriptions with a go for a night from `first` on (True), or with an alert not sent (False), which
    its message may have left out; each with those nights."""
    query = (
        select(AlertRow.subscription_id, AlertRow.night_name, AlertRow.kind)
        .join(SubscriptionRow, SubscriptionRow.id == AlertRow.subscription_id)
        .join(MessageAlertRow, MessageAlertRow.alert_id == AlertRow.id)
        .join(MessageRow, MessageRow.id == MessageAlertRow.message_id)
        .where(
            AlertRow.night_name >= first,
            or_(
                AlertRow.kind.in_(_CALLS),
                MessageRow.status != Status.SENT,
                MessageAlertRow.dropped.is_not(None),
            ),
        )
    )
    found: defaultdict[int, dict[date, bool]] = defaultdict(dict)
    for subscription_id, name, kind in session.execute(query):
        nights = found[subscription_id]
        nights[name] = nights.get(name, False) or kind in _CALLS
    return found


@value(frozen=True, slots=True)
class LockedSubscription:
    """A subscription as it is now, its row locked. wishes: as a JSON text. is_own: of their own site."""

    subscription_id: int
    address_id: int
    site_id: int
    judged_at: datetime | None
    kit: str
    nights_due: dict[str, Any] | None
    wishes: str
    is_own: bool
    is_active: bool


def lock_subscriptions(
    session: Session, subscription_ids: Sequence[int], now: datetime
) -> list[LockedSubscription]:
    """These subscriptions, in their order; nobody else changes them before the transaction ends."""
    row = SubscriptionRow
    mine = (
        select(
            row.id,
            row.address_id,
            row.site_id,
            row.judged_at,
            row.kit,
            row.nights_due,
            cast(row.wishes, Text),
            row.person_id == SiteRow.owner_id,
        )
        .join(SiteRow, SiteRow.id == row.site_id)
        .where(row.id.in_(subscription_ids))
        .order_by(row.id)
    )
    rows = session.execute(mine.with_for_update(of=row)).all()
    active = set(session.scalars(only_active(select(row.id), now).where(row.id.in_(subscription_ids))))
    return [LockedSubscription(*each, each[0] in active) for each in rows]  # type: ignore[call-arg]


def note_reviews(session: Session, rows: Sequence[dict[str, Any]]) -> None:
    """Write when subscriptions, each by its `id`, were judged and are due next."""
    if rows:
        session.execute(update(SubscriptionRow), rows)


def sites_by_place(session: Session, since: datetime) -> list[int]:
    """The sites that somebody is told about, or was after that moment, near ones together: by whole degrees
    of latitude, then by longitude."""
    revision, subscription = SiteRevisionRow, SubscriptionRow
    band = cast(func.floor(func.max(revision.lat_deg)), Integer)
    query = (
        select(revision.site_id)
        .join(subscription, subscription.site_id == revision.site_id)
        .where(or_(subscription.ended_at.is_(None), subscription.ended_at > since))
        .group_by(revision.site_id)
        .order_by(band, func.max(revision.lon_deg))
    )
    return list(session.scalars(query))


def pack_nights_due(moments: Mapping[date, datetime], judged_at: datetime) -> dict[str, Any]:
    nights = {name.isoformat(): at.isoformat() for name, at in moments.items()}
    return {"as_of": judged_at.isoformat(), "nights": nights}


def read_nights_due(kept: Mapping[str, Any] | None, judged_at: datetime | None) -> dict[date, datetime]:
    """By the night's name; nothing where it isn't of the last judging."""
    if kept is None or judged_at is None or kept["as_of"] != judged_at.isoformat():
        return {}
    return {date.fromisoformat(name): datetime.fromisoformat(at) for name, at in kept["nights"].items()}
