"""What delivery promises, looked up in the rows: each finding is a promise that was broken.

P1 a decision that calls for an alert has its message · P2 a message comes to one end, not later than ten
minutes after it stops helping · P3 sent at least once until then, repeats under the same id · P4 nothing
about a decision that isn't the newest · P5 a stand-down if and only if the go it takes back went out or
may have · P6 nothing to an address that isn't confirmed or has opted out · P7 no forecast is never clear
· P8 silence of the service itself is told (that one is the watch's: service/delivery/self_monitor.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta

from sqlalchemy import and_, exists, func, or_, select
from sqlalchemy.orm import Session, aliased

from alerts.common.phrases import say
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind
from service.store.maintenance.personal_data import ERASED
from service.store.repositories.messages import LEASE, UNSETTLED, WAITING, NoticeKind, Status
from service.store.schema.core_tables import (
    AddressRow,
    AlertRow,
    AttemptRow,
    DecisionRow,
    MessageAlertRow,
    MessageRow,
    SubscriptionRow,
)
from service.store.schema.delivery_tables import NoticeRow

GRACE = timedelta(minutes=10)
ALERTS_KEPT = timedelta(days=7)
"""At the least, whatever the settings let go of: this far back each decision's alert must be there."""
_ASKED_FOR = (NoticeKind.CONFIRM, NoticeKind.SIGN_IN)


def find_broken(session: Session, *, now: datetime, wall: datetime) -> list[str]:
    """All findings, each beginning with the promise's name. now: the messages' time; wall: the real one."""
    checks: tuple[Callable[[Session, datetime, datetime], Iterator[str]], ...] = (
        _told_of, _settled, _sent_for_a_reason, _once, _not_stale, _taken_back, _wanted, _known,
    )  # fmt: skip
    return [finding for check in checks for finding in check(session, now, wall)]


def _told_of(session: Session, now: datetime, _wall: datetime) -> Iterator[str]:
    lonely = ~exists().where(MessageAlertRow.alert_id == AlertRow.id)
    for alert_id in session.scalars(select(AlertRow.id).where(lonely)):
        yield say("delivery.p1-no-message", alert_id=alert_id)
    raised = exists().where(
        AlertRow.decision_id == DecisionRow.id,
        AlertRow.kind == DecisionRow.told,
    )
    erased = exists().where(
        SubscriptionRow.id == DecisionRow.subscription_id,
        SubscriptionRow.address_id == AddressRow.id,
        AddressRow.off_reason == ERASED,
    )
    calling = and_(DecisionRow.told.is_not(None), DecisionRow.as_of > now - ALERTS_KEPT)
    for decision_id in session.scalars(select(DecisionRow.id).where(calling, ~raised, ~erased)):
        yield say("delivery.p1-no-alert", decision_id=decision_id)
    empty = ~exists().where(MessageAlertRow.message_id == MessageRow.id)
    silent = ~exists().where(NoticeRow.message_id == MessageRow.id)
    for message_id in session.scalars(select(MessageRow.id).where(empty, silent)):
        yield say("delivery.p1-empty", message_id=message_id)


def _settled(session: Session, now: datetime, wall: datetime) -> Iterator[str]:
    notice = exists().where(NoticeRow.message_id == MessageRow.id)  # these follow the real clock
    past = or_(
        and_(~notice, MessageRow.expires_at < now - GRACE),
        and_(notice, MessageRow.expires_at < wall - GRACE),
    )
    late = and_(MessageRow.status.in_(WAITING), past)
    stuck = and_(MessageRow.status == Status.SENDING, MessageRow.leased_until < wall - GRACE)
    for row in session.scalars(select(MessageRow).where(or_(late, stuck))):
        yield say("delivery.p2-late", message_id=row.id, status=row.status)
    half = and_(MessageRow.status.not_in(UNSETTLED), MessageRow.settled_at.is_(None))
    torn = and_(MessageRow.status.in_(UNSETTLED), MessageRow.settled_at.is_not(None))
    leased = and_(MessageRow.status != Status.SENDING, MessageRow.lease_token.is_not(None))
    for row in session.scalars(select(MessageRow).where(or_(half, torn, leased))):
        yield say("delivery.p2-torn", message_id=row.id, status=row.status)
    if unknown := set(session.scalars(select(MessageRow.status).distinct())) - set(Status):
        yield say("delivery.p2-status", statuses=unknown)


def _sent_for_a_reason(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    """Attempts are kept for a while only, so this looks at messages that still have theirs."""
    tried = exists().where(AttemptRow.message_id == MessageRow.id)
    taken = exists().where(AttemptRow.message_id == MessageRow.id, AttemptRow.result == "sent")
    sent = select(MessageRow.id).where(MessageRow.status == Status.SENT)
    for message_id in session.scalars(sent.where(MessageRow.attempts > 0, tried, ~taken)):
        yield say("delivery.p3-not-taken", message_id=message_id)
    quiet = select(MessageRow.id).where(
        MessageRow.status.in_((Status.DUE, Status.EXPIRED, Status.SUPERSEDED, Status.SUPPRESSED)),
        taken,
    )
    for message_id in session.scalars(quiet):
        yield say("delivery.p3-taken", message_id=message_id)


def _once(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    key = (
        AlertRow.subscription_id, AlertRow.night_name, AlertRow.kind,
        AlertRow.occurrence,
    )  # fmt: skip
    for row in session.execute(select(*key).group_by(*key).having(func.count() > 1)):
        yield say("delivery.p3-twice", key=tuple(row))
    carried = (
        select(MessageAlertRow.alert_id)
        .where(MessageAlertRow.dropped.is_(None))
        .group_by(MessageAlertRow.alert_id)
        .having(func.count() > 1)
    )
    for alert_id in session.scalars(carried):
        yield say("delivery.p3-carried-twice", alert_id=alert_id)


def _not_stale(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    """First attempts at telling of a night that had been decided to be stayed home for before."""
    newer = aliased(DecisionRow)
    later = and_(
        newer.subscription_id == AlertRow.subscription_id,
        newer.night_name == AlertRow.night_name,
        newer.id > AlertRow.decision_id,
        newer.verdict == VerdictWord.STAY,
    )
    tried = (
        select(AttemptRow.message_id, func.min(AttemptRow.started_at).label("first"))
        .group_by(AttemptRow.message_id)
        .subquery()
    )
    rows = session.execute(
        select(tried.c.message_id, tried.c.first, newer.as_of)
        .join(MessageAlertRow, MessageAlertRow.message_id == tried.c.message_id)
        .join(AlertRow, AlertRow.id == MessageAlertRow.alert_id)
        .join(newer, later)
        .where(MessageAlertRow.dropped.is_(None), AlertRow.kind != AlertKind.STAND_DOWN)
    )
    for message_id, first, decided in rows:
        if decided < first - LEASE:
            yield say("delivery.p4-stale", message_id=message_id)


def _taken_back(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    """Stand-downs with no earlier go that went out or may have."""
    go, carries, message = (
        aliased(AlertRow),
        aliased(MessageAlertRow),
        aliased(MessageRow),
    )
    arrived = or_(message.status.in_((Status.SENT, Status.SENDING)), message.maybe_sent)
    possible = (
        select(go.id)
        .join(carries, carries.alert_id == go.id)
        .join(message, message.id == carries.message_id)
        .where(
            go.subscription_id == AlertRow.subscription_id,
            go.night_name == AlertRow.night_name,
            go.kind.in_((AlertKind.GO, AlertKind.CHANGED)),
            go.id < AlertRow.id,
            carries.dropped.is_(None),
            arrived,
        )
    )
    downs = select(AlertRow.id).where(AlertRow.kind == AlertKind.STAND_DOWN, ~possible.exists())
    for alert_id in session.scalars(downs):
        yield say("delivery.p5-stand-down", alert_id=alert_id)


def _wanted(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    """Attempts at addresses that aren't confirmed, or that were off when the attempt began."""
    off = AddressRow.off_since < AttemptRow.started_at
    asked_for = exists().where(NoticeRow.message_id == MessageRow.id, NoticeRow.kind.in_(_ASKED_FOR))
    query = (
        select(MessageRow.id)
        .join(AttemptRow, AttemptRow.message_id == MessageRow.id)
        .join(AddressRow, AddressRow.id == MessageRow.address_id)
        .where(or_(AddressRow.confirmed_at.is_(None), off), ~asked_for)
    )
    for message_id in session.scalars(query.distinct()):
        yield say("delivery.p6-unwanted", message_id=message_id)


def _known(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    rows = session.execute(
        select(DecisionRow.id, DecisionRow.forecast_ids, DecisionRow.chance_pct).where(
            DecisionRow.verdict == VerdictWord.GO
        )
    )
    for decision_id, forecast_ids, chance_pct in rows:
        if not forecast_ids or chance_pct is None:
            yield say("delivery.p7-no-forecast", decision_id=decision_id)
