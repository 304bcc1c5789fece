"""Stage 4: messages on their way, each sent at least once while it helps, under one id."""

from __future__ import annotations

import logging
import random
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session, sessionmaker

from alerts.briefing.facts import AlertFacts, AlertKind, Briefing
from alerts.standing import still_stands
from alerts.verdict import VerdictWord
from alerts.wishes import Wishes
from service.channels.base import ANSWER_KEPT_BYTES, Channel, ChannelError, Outgoing, SendResult
from service.channels.compose import compose
from service.channels.schedule import next_attempt
from service.store import messages, tables
from service.store.codec import from_json
from service.store.decisions import newest_decision
from service.store.messages import Status

log = logging.getLogger(__name__)

SENDERS = 8
"""Messages on the wire at the same time; a hanging receiver holds one of them."""

Clock = Callable[[], datetime]


@dataclass(frozen=True, slots=True)
class Delivery:
    """What the stage needs: the store, the channels by name, the real clock."""

    sessions: sessionmaker[Session]
    channels: Mapping[str, Channel]
    clock: Clock


@dataclass(frozen=True, slots=True)
class _Claimed:
    message: tables.Message
    channel: Channel
    outgoing: Outgoing
    channel_name: str
    address_id: int


def run(delivery: Delivery, now: datetime) -> dict[str, int]:
    """Send what is due; how many ended how. `now` judges what still helps, the clock when to retry."""
    with delivery.sessions.begin() as session:
        messages.release_dead_leases(session, delivery.clock())
        expired = messages.expire_waiting(session, now, delivery.clock())
        due = messages.find_due(session, delivery.clock())
    counts = {Status.EXPIRED.value: expired} if expired else {}
    with ThreadPoolExecutor(max_workers=SENDERS, thread_name_prefix="send") as pool:
        for status in pool.map(lambda message_id: _deliver(delivery, message_id, now), due):
            if status is not None:
                counts[status.value] = counts.get(status.value, 0) + 1
    return counts


def _deliver(delivery: Delivery, message_id: str, now: datetime) -> Status | None:
    claimed = _claim(delivery, message_id, now)
    if not isinstance(claimed, _Claimed):
        return claimed
    started = delivery.clock()
    try:
        result: SendResult | ChannelError = claimed.channel.send(claimed.outgoing)
    except ChannelError as error:
        result = error
    with delivery.sessions.begin() as session:
        return _record(session, delivery, claimed, result, started, now)


def _claim(delivery: Delivery, message_id: str, now: datetime) -> _Claimed | Status | None:
    """Take the message and look once more whether it may and should be sent."""
    with delivery.sessions.begin() as session:
        message = messages.claim(session, message_id, delivery.clock())
        if message is None:
            return None
        address = message.address
        channel = delivery.channels.get(address.channel)
        ended = _may_not_go(address, channel)
        alerts = [] if ended else _still_true(session, message, now)
        if ended is None and not alerts:
            ended = (_why_empty(session, message), "what it said no longer holds")
        if ended is not None or channel is None:
            status, note = ended or (Status.FAILED, "")
            messages.settle(session, message, status, wall=delivery.clock(), note=note)
            return status
        outgoing = _compose(channel, message, address, alerts, delivery.clock())
        session.expunge_all()
        return _Claimed(message, channel, outgoing, address.channel, address.id)


def _may_not_go(address: tables.Address, channel: Channel | None) -> tuple[Status, str] | None:
    if address.confirmed_at is None or address.off_since is not None:
        return Status.SUPPRESSED, address.off_reason or "the address is not confirmed"
    if channel is None:
        return Status.FAILED, f"no channel named {address.channel!r} is set up"
    return None


def _still_true(session: Session, message: tables.Message, now: datetime) -> list[tables.Alert]:
    """The alerts worth saying now; the others are dropped from the message with their reason."""
    kept = []
    for link, alert in messages.carried_alerts(session, message.id):
        if alert.expires_at <= now:
            link.dropped = Status.EXPIRED
        elif not _newest_decision_carries(session, alert):
            link.dropped = Status.SUPERSEDED
        else:
            kept.append(alert)
    return kept


def _newest_decision_carries(session: Session, alert: tables.Alert) -> bool:
    subscription = session.get_one(tables.Subscription, alert.subscription_id)
    if subscription.ended_at is not None and alert.kind != AlertKind.STAND_DOWN:
        return False
    newest = newest_decision(session, alert.subscription_id, alert.night_name)
    return still_stands(
        AlertKind(alert.kind),
        VerdictWord(newest.verdict) if newest else None,
        newest.chance_pct if newest else None,
        from_json(Wishes, subscription.wishes),
    )


def _why_empty(session: Session, message: tables.Message) -> Status:
    links = session.query(tables.MessageAlert).filter_by(message_id=message.id)
    return Status.EXPIRED if all(link.dropped == Status.EXPIRED for link in links) else Status.SUPERSEDED


def _compose(
    channel: Channel,
    message: tables.Message,
    address: tables.Address,
    alerts: list[tables.Alert],
    wall: datetime,
) -> Outgoing:
    facts = tuple(from_json(AlertFacts, alert.facts) for alert in alerts)
    ranked = tuple(sorted(facts, key=lambda each: -(each.chance_pct or 0)))
    return compose(
        channel.form,
        Briefing(message_id=message.id, alerts=ranked),
        address=address.target,
        attempted_at=wall,
        secrets=tuple(address.secrets),
    )


def _record(
    session: Session,
    delivery: Delivery,
    claimed: _Claimed,
    result: SendResult | ChannelError,
    started: datetime,
    now: datetime,
) -> Status | None:
    """Keep the attempt and settle or put back the message; None when the lease was lost."""
    wall = delivery.clock()
    word = "sent" if isinstance(result, SendResult) else "maybe_sent" if result.maybe_sent else "failed"
    session.add(
        tables.Attempt(
            message_id=claimed.message.id,
            started_at=started,
            ended_at=wall,
            result=word,
            code=result.code[:20],
            answer=result.text[:ANSWER_KEPT_BYTES],
        )
    )
    if isinstance(result, SendResult):
        place = f"written to {result.place}" if result.place else None
        done = messages.settle(session, claimed.message, Status.SENT, wall=wall, note=place)
        return Status.SENT if done else None
    if result.gone:
        address = session.get_one(tables.Address, claimed.address_id)
        address.off_since, address.off_reason = wall, result.text
    return _after_failure(session, claimed, result, now=now, wall=wall)


def _after_failure(
    session: Session, claimed: _Claimed, error: ChannelError, *, now: datetime, wall: datetime
) -> Status | None:
    message = claimed.message
    log.warning("message %s not taken: %s", message.id, error.code)
    retry_at = next_attempt(
        claimed.channel_name,
        message.attempts,
        wall,
        error,
        wall + (message.expires_at - now),
        random.uniform(-1, 1),
        maybe_sent_before=message.maybe_sent,
    )
    if retry_at is None:
        done = messages.settle(session, message, Status.FAILED, wall=wall, note=str(error))
        return Status.FAILED if done else None
    done = messages.put_back(session, message, retry_at, maybe_sent=error.maybe_sent, note=str(error))
    return Status.RETRY if done else None
