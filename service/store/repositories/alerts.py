"""Alerts that were raised, each with what became of it, what its pictures are drawn from, and what names its
night in calendars."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from sqlalchemy import LargeBinary, func, select, type_coerce
from sqlalchemy.orm import Session, aliased

from alerts.common.plain_values import value
from alerts.judging.privacy import shared_site
from alerts.notifying.model import AlertKind, Why
from alerts.sites.model import Site
from alerts.sky.night import Night
from service.common.secret_key import Keys
from service.store.engine import in_chunks
from service.store.repositories.nights import unpack_night
from service.store.repositories.sites import stored_site
from service.store.schema.core_tables import (
    AlertRow,
    DecisionRow,
    MessageAlertRow,
    MessageRow,
    NightRow,
    SiteRevisionRow,
    SiteRow,
    SubscriptionRow,
)


@value(frozen=True, slots=True)
class SentAlert:
    """An alert with the message that carries it. dropped: why it was left out of it, None where it wasn't."""

    alert: AlertRow
    message: MessageRow
    dropped: str | None


_RAISED = (
    select(AlertRow, MessageRow, MessageAlertRow.dropped)
    .join(MessageAlertRow, MessageAlertRow.alert_id == AlertRow.id)
    .join(MessageRow, MessageRow.id == MessageAlertRow.message_id)
)


def alerts_of_night(session: Session, subscription_id: int, night_name: date) -> list[SentAlert]:
    """What a subscription was to be told of a night, oldest first."""
    query = _RAISED.where(AlertRow.subscription_id == subscription_id, AlertRow.night_name == night_name)
    return [SentAlert(*row) for row in session.execute(query.order_by(AlertRow.id))]


def last_alerts(session: Session, site_id: int, person_id: int, *, most: int) -> list[SentAlert]:
    """The last alert of each night that a person was told of at a site; the newest nights first."""
    newest = (
        select(func.max(AlertRow.id))
        .join(SubscriptionRow, SubscriptionRow.id == AlertRow.subscription_id)
        .where(SubscriptionRow.site_id == site_id, SubscriptionRow.person_id == person_id)
        .group_by(AlertRow.night_name)
        .order_by(AlertRow.night_name.desc())
        .limit(most)
    )
    query = _RAISED.where(AlertRow.id.in_(newest)).order_by(AlertRow.night_name.desc())
    return [SentAlert(*row) for row in session.execute(query)]


def was_address_told(session: Session, address_id: int, site_id: int, night_name: date) -> bool:
    """Whether any alert of that site's night was raised for the address."""
    query = (
        select(AlertRow.id)
        .join(SubscriptionRow, SubscriptionRow.id == AlertRow.subscription_id)
        .where(
            SubscriptionRow.address_id == address_id,
            SubscriptionRow.site_id == site_id,
            AlertRow.night_name == night_name,
        )
    )
    return session.scalar(query.limit(1)) is not None


def alerts_in(session: Session, message_id: str) -> list[AlertRow]:
    """The alerts of a message, those that were dropped from it too."""
    query = select(AlertRow).join(MessageAlertRow, MessageAlertRow.alert_id == AlertRow.id)
    return list(session.scalars(query.where(MessageAlertRow.message_id == message_id)))


def alerts_between(session: Session, first: date, last: date) -> list[AlertRow]:
    """All alerts of those nights, oldest first."""
    return list(
        session.scalars(
            select(AlertRow).where(AlertRow.night_name.between(first, last)).order_by(AlertRow.id)
        )
    )


@value(frozen=True, slots=True)
class RaisedAlert:
    """An alert with how far it came. dropped: why it was left out of its message, None where it wasn't."""

    alert: AlertRow
    dropped: str | None
    status: str
    maybe_sent: bool


def alerts_raised(session: Session, subscription_ids: Sequence[int], first: date) -> Iterator[RaisedAlert]:
    """The alerts of these subscriptions for nights from `first` on; each one's oldest first."""
    for ids in in_chunks(subscription_ids):
        columns = AlertRow, MessageAlertRow.dropped, MessageRow.status, MessageRow.maybe_sent
        query = _RAISED.with_only_columns(*columns).where(
            AlertRow.subscription_id.in_(ids), AlertRow.night_name >= first
        )
        for row in session.execute(query.order_by(AlertRow.id)):
            yield RaisedAlert(*row)


_RINGS = (AlertKind.HEADS_UP, AlertKind.GO, AlertKind.CHANGED)


def count_rings(session: Session, address_ids: Iterable[int], since: datetime) -> dict[int, int]:
    """How many cycles made each of these addresses ring after that moment, warnings aside."""
    found: dict[int, int] = {}
    for ids in in_chunks(sorted(set(address_ids))):
        query = (
            select(SubscriptionRow.address_id, func.count(AlertRow.raised_at.distinct()))
            .join(AlertRow, AlertRow.subscription_id == SubscriptionRow.id)
            .where(
                SubscriptionRow.address_id.in_(ids),
                AlertRow.raised_at > since,
                AlertRow.kind.in_(_RINGS),
                AlertRow.why != Why.LAST_WORD,
            )
            .group_by(SubscriptionRow.address_id)
        )
        found |= {row[0]: row[1] for row in session.execute(query)}
    return found


def alerts_of_subscription(session: Session, subscription_id: int) -> list[AlertRow]:
    return list(session.scalars(select(AlertRow).where(AlertRow.subscription_id == subscription_id)))


@dataclass(frozen=True, slots=True)
class Scene:
    """A site as it was described when a decision was made, and the night, read when it is asked for.

    site: to others than its owner without what leads there.
    """

    night_id: int
    site: Site
    packed: bytes = field(repr=False)

    def night(self) -> Night:
        """The night as it was stored; ValueError for what another version wrote."""
        return unpack_night(self.packed)


def find_scenes(session: Session, decision_ids: Iterable[int]) -> dict[int, Scene]:
    """The scenes of these decisions; those whose night is gone are missing."""
    found: dict[int, Scene] = {}
    for ids in in_chunks(sorted(set(decision_ids))):
        query = (
            select(
                DecisionRow.id,
                NightRow.id,
                type_coerce(NightRow.facts, LargeBinary),
                SiteRevisionRow,
                SubscriptionRow.person_id == SiteRow.owner_id,
            )
            .join(NightRow, NightRow.id == DecisionRow.night_id)
            .join(SiteRevisionRow, SiteRevisionRow.id == DecisionRow.site_revision_id)
            .join(SubscriptionRow, SubscriptionRow.id == DecisionRow.subscription_id)
            .join(SiteRow, SiteRow.id == SubscriptionRow.site_id)
            .where(DecisionRow.id.in_(ids))
        )
        for decision_id, night_id, packed, revision, is_own in session.execute(query):
            site = stored_site(revision).site
            found[decision_id] = Scene(night_id, site if is_own else shared_site(site), packed)
    return found


def calendar_key(keys: Keys, person_id: int, site_id: int, night_name: date) -> str:
    """What names a person's night at a site in calendars, mailed or fetched; nobody else's anywhere."""
    return keys.hash("calendar", f"{person_id} {site_id} {night_name}")


@dataclass(frozen=True, slots=True)
class Words:
    """What a person was told of a night at a site. count: how many words so far, those of one moment as one.
    was_go: a go among them. is_taken_back: the last one took it back."""

    count: int = 0
    at: datetime | None = None
    was_go: bool = False
    is_taken_back: bool = False


def words_told(
    session: Session, person_id: int, site_ids: Iterable[int], first: date
) -> dict[tuple[int, date], Words]:
    """By site and night, from that night on, what this person was told."""
    found: dict[tuple[int, date], Words] = {}
    alert = AlertRow
    for ids in in_chunks(sorted(set(site_ids))):
        query = (
            select(
                SubscriptionRow.site_id,
                alert.night_name,
                alert.kind,
                alert.raised_at,
            )
            .join(alert, alert.subscription_id == SubscriptionRow.id)
            .where(
                SubscriptionRow.person_id == person_id,
                SubscriptionRow.site_id.in_(ids),
                alert.night_name >= first,
            )
            .order_by(alert.id)
        )
        for site_id, name, kind, at in session.execute(query):
            known = found.get((site_id, name), Words())
            count = known.count + (at != known.at)
            was_go = known.was_go or kind == AlertKind.GO
            found[site_id, name] = Words(count, at, was_go, kind == AlertKind.STAND_DOWN)
    return found


def count_words(session: Session, alert_ids: Iterable[int]) -> dict[int, int]:
    """For each of these alerts the how manieth word it is that its reader was told of that night there; what
    is told at once, by several ways, is one."""
    earlier, other = aliased(AlertRow), aliased(SubscriptionRow)
    found: dict[int, int] = {}
    for ids in in_chunks(sorted(set(alert_ids))):
        query = (
            select(AlertRow.id, func.count(earlier.raised_at.distinct()))
            .join(SubscriptionRow, SubscriptionRow.id == AlertRow.subscription_id)
            .join(
                other,
                (other.site_id == SubscriptionRow.site_id) & (other.person_id == SubscriptionRow.person_id),
            )
            .join(
                earlier,
                (earlier.subscription_id == other.id)
                & (earlier.night_name == AlertRow.night_name)
                & (earlier.raised_at <= AlertRow.raised_at),
            )
            .where(AlertRow.id.in_(ids))
            .group_by(AlertRow.id)
        )
        found |= {row[0]: row[1] for row in session.execute(query)}
    return found
