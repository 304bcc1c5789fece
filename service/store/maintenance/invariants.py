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
from service.store.schema import core_tables
from service.store.schema.delivery_tables import Notice

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
    lonely = ~exists().where(core_tables.MessageAlert.alert_id == core_tables.Alert.id)
    for alert_id in session.scalars(select(core_tables.Alert.id).where(lonely)):
        yield say("delivery.p1-no-message", alert_id=alert_id)
    raised = exists().where(
        core_tables.Alert.decision_id == core_tables.Decision.id,
        core_tables.Alert.kind == core_tables.Decision.told,
    )
    erased = exists().where(
        core_tables.Subscription.id == core_tables.Decision.subscription_id,
        core_tables.Subscription.address_id == core_tables.Address.id,
        core_tables.Address.off_reason == ERASED,
    )
    calling = and_(core_tables.Decision.told.is_not(None), core_tables.Decision.as_of > now - ALERTS_KEPT)
    for decision_id in session.scalars(select(core_tables.Decision.id).where(calling, ~raised, ~erased)):
        yield say("delivery.p1-no-alert", decision_id=decision_id)
    empty = ~exists().where(core_tables.MessageAlert.message_id == core_tables.Message.id)
    silent = ~exists().where(Notice.message_id == core_tables.Message.id)
    for message_id in session.scalars(select(core_tables.Message.id).where(empty, silent)):
        yield say("delivery.p1-empty", message_id=message_id)


def _settled(session: Session, now: datetime, wall: datetime) -> Iterator[str]:
    notice = exists().where(Notice.message_id == core_tables.Message.id)  # these follow the real clock
    past = or_(
        and_(~notice, core_tables.Message.expires_at < now - GRACE),
        and_(notice, core_tables.Message.expires_at < wall - GRACE),
    )
    late = and_(core_tables.Message.status.in_(WAITING), past)
    stuck = and_(
        core_tables.Message.status == Status.SENDING, core_tables.Message.leased_until < wall - GRACE
    )
    for row in session.scalars(select(core_tables.Message).where(or_(late, stuck))):
        yield say("delivery.p2-late", message_id=row.id, status=row.status)
    half = and_(core_tables.Message.status.not_in(UNSETTLED), core_tables.Message.settled_at.is_(None))
    torn = and_(core_tables.Message.status.in_(UNSETTLED), core_tables.Message.settled_at.is_not(None))
    leased = and_(core_tables.Message.status != Status.SENDING, core_tables.Message.lease_token.is_not(None))
    for row in session.scalars(select(core_tables.Message).where(or_(half, torn, leased))):
        yield say("delivery.p2-torn", message_id=row.id, status=row.status)
    if unknown := set(session.scalars(select(core_tables.Message.status).distinct())) - set(Status):
        yield say("delivery.p2-status", statuses=unknown)


def _sent_for_a_reason(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    """Attempts are kept for a while only, so this looks at messages that still have theirs."""
    tried = exists().where(core_tables.Attempt.message_id == core_tables.Message.id)
    taken = exists().where(
        core_tables.Attempt.message_id == core_tables.Message.id, core_tables.Attempt.result == "sent"
    )
    sent = select(core_tables.Message.id).where(core_tables.Message.status == Status.SENT)
    for message_id in session.scalars(sent.where(core_tables.Message.attempts > 0, tried, ~taken)):
        yield say("delivery.p3-not-taken", message_id=message_id)
    quiet = select(core_tables.Message.id).where(
        core_tables.Message.status.in_((Status.DUE, Status.EXPIRED, Status.SUPERSEDED, Status.SUPPRESSED)),
        taken,
    )
    for message_id in session.scalars(quiet):
        yield say("delivery.p3-taken", message_id=message_id)


def _once(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    key = (
        core_tables.Alert.subscription_id, core_tables.Alert.night_name, core_tables.Alert.kind,
        core_tables.Alert.occurrence,
    )  # fmt: skip
    for row in session.execute(select(*key).group_by(*key).having(func.count() > 1)):
        yield say("delivery.p3-twice", key=tuple(row))
    carried = (
        select(core_tables.MessageAlert.alert_id)
        .where(core_tables.MessageAlert.dropped.is_(None))
        .group_by(core_tables.MessageAlert.alert_id)
        .having(func.count() > 1)
    )
    for alert_id in session.scalars(carried):
        yield say("delivery.p3-carried-twice", alert_id=alert_id)


def _not_stale(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    """First attempts at telling of a night that had been decided to be stayed home for before."""
    newer = aliased(core_tables.Decision)
    later = and_(
        newer.subscription_id == core_tables.Alert.subscription_id,
        newer.night_name == core_tables.Alert.night_name,
        newer.id > core_tables.Alert.decision_id,
        newer.verdict == VerdictWord.STAY,
    )
    tried = (
        select(core_tables.Attempt.message_id, func.min(core_tables.Attempt.started_at).label("first"))
        .group_by(core_tables.Attempt.message_id)
        .subquery()
    )
    rows = session.execute(
        select(tried.c.message_id, tried.c.first, newer.as_of)
        .join(core_tables.MessageAlert, core_tables.MessageAlert.message_id == tried.c.message_id)
        .join(core_tables.Alert, core_tables.Alert.id == core_tables.MessageAlert.alert_id)
        .join(newer, later)
        .where(core_tables.MessageAlert.dropped.is_(None), core_tables.Alert.kind != AlertKind.STAND_DOWN)
    )
    for message_id, first, decided in rows:
        if decided < first - LEASE:
            yield say("delivery.p4-stale", message_id=message_id)


def _taken_back(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    """Stand-downs with no earlier go that went out or may have."""
    go, carries, message = (
        aliased(core_tables.Alert),
        aliased(core_tables.MessageAlert),
        aliased(core_tables.Message),
    )
    arrived = or_(message.status.in_((Status.SENT, Status.SENDING)), message.maybe_sent)
    possible = (
        select(go.id)
        .join(carries, carries.alert_id == go.id)
        .join(message, message.id == carries.message_id)
        .where(
            go.subscription_id == core_tables.Alert.subscription_id,
            go.night_name == core_tables.Alert.night_name,
            go.kind.in_((AlertKind.GO, AlertKind.CHANGED)),
            go.id < core_tables.Alert.id,
            carries.dropped.is_(None),
            arrived,
        )
    )
    downs = select(core_tables.Alert.id).where(
        core_tables.Alert.kind == AlertKind.STAND_DOWN, ~possible.exists()
    )
    for alert_id in session.scalars(downs):
        yield say("delivery.p5-stand-down", alert_id=alert_id)


def _wanted(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    """Attempts at addresses that aren't confirmed, or that were off when the attempt began."""
    off = core_tables.Address.off_since < core_tables.Attempt.started_at
    asked_for = exists().where(Notice.message_id == core_tables.Message.id, Notice.kind.in_(_ASKED_FOR))
    query = (
        select(core_tables.Message.id)
        .join(core_tables.Attempt, core_tables.Attempt.message_id == core_tables.Message.id)
        .join(core_tables.Address, core_tables.Address.id == core_tables.Message.address_id)
        .where(or_(core_tables.Address.confirmed_at.is_(None), off), ~asked_for)
    )
    for message_id in session.scalars(query.distinct()):
        yield say("delivery.p6-unwanted", message_id=message_id)


def _known(session: Session, _now: datetime, _wall: datetime) -> Iterator[str]:
    rows = session.execute(
        select(
            core_tables.Decision.id, core_tables.Decision.forecast_ids, core_tables.Decision.chance_pct
        ).where(core_tables.Decision.verdict == VerdictWord.GO)
    )
    for decision_id, forecast_ids, chance_pct in rows:
        if not forecast_ids or chance_pct is None:
            yield say("delivery.p7-no-forecast", decision_id=decision_id)
