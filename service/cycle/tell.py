"""What a decision calls for: alerts, in the same transaction, and one message for an address."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.briefing.collect import alert_facts
from alerts.briefing.facts import AlertFacts, AlertKind
from alerts.fieldplan import plan
from alerts.ladder import Telling, Told, build_seen, what_to_tell
from alerts.night import Night
from alerts.site import Site
from alerts.verdict import Verdict
from alerts.wishes import Wishes
from service.store import messages, tables
from service.store.codec import from_json, to_json
from service.store.decisions import SubscriptionNight
from service.store.messages import Status

_ENDED_UNSENT = (Status.FAILED, Status.EXPIRED, Status.SUPERSEDED, Status.SUPPRESSED)


@dataclass(frozen=True, slots=True)
class Raised:
    """An alert that was raised before, and how far it came.

    is_live: it went out, may have, or still waits to. may_have_arrived: it went out or may have.
    """

    alert: tables.Alert
    is_live: bool
    may_have_arrived: bool


@dataclass(frozen=True, slots=True)
class Case:
    """One night of one subscription, judged."""

    subscription: tables.Subscription
    site: Site
    wishes: Wishes
    night: Night
    verdict: Verdict
    decision: tables.Decision


def load_history(
    session: Session, subscription_ids: Iterable[int], first: date
) -> defaultdict[SubscriptionNight, list[Raised]]:
    """The alerts raised so far for these subscriptions, by night, oldest first."""
    query = (
        select(tables.Alert, tables.MessageAlert.dropped, tables.Message)
        .join(tables.MessageAlert, tables.MessageAlert.alert_id == tables.Alert.id)
        .join(tables.Message, tables.Message.id == tables.MessageAlert.message_id)
        .where(tables.Alert.subscription_id.in_(set(subscription_ids)), tables.Alert.night_name >= first)
        .order_by(tables.Alert.id)
    )
    history: defaultdict[SubscriptionNight, list[Raised]] = defaultdict(list)
    for alert, dropped, message in session.execute(query):
        arrived = dropped is None and (message.maybe_sent or message.status in (Status.SENT, Status.SENDING))
        live = arrived or (dropped is None and message.status not in _ENDED_UNSENT)
        history[alert.subscription_id, alert.night_name].append(Raised(alert, live, arrived))
    return history


def consider(
    session: Session,
    case: Case,
    history: list[Raised],
    *,
    now: datetime,
    cycle: timedelta,
    invented: bool,
) -> tables.Alert | None:
    """Raise the alert that this night calls for now, or None where silence is right.

    A stand-down exists only if the go it takes back went out or may have; one that still waits is
    left to the sender, which drops it because the newest decision no longer carries it.
    """
    window = case.verdict.window
    trip = plan(window.span, case.wishes) if window else None
    seen = build_seen(case.verdict, case.night.name, now, case.site.tz)
    told = [_as_told(raised.alert) for raised in history if raised.is_live]
    telling = what_to_tell(told, seen, now=now, cycle=cycle, wishes=case.wishes, plan=trip)
    if telling.kind is AlertKind.STAND_DOWN:
        told = [_as_told(raised.alert) for raised in history if raised.may_have_arrived]
        telling = what_to_tell(told, seen, now=now, cycle=cycle, wishes=case.wishes, plan=trip)
    if telling.kind is None:
        return None
    facts = alert_facts(
        telling,
        site=case.site,
        night=case.night,
        verdict=case.verdict,
        wishes=case.wishes,
        plan=trip,
        told=told[-1] if told else None,
        now=now,
        invented=invented,
    )
    return _raise(session, case, telling, facts, history, now)


def _raise(
    session: Session,
    case: Case,
    telling: Telling,
    facts: AlertFacts,
    history: list[Raised],
    now: datetime,
) -> tables.Alert:
    assert telling.kind is not None, "silence raises nothing"
    assert telling.expires_at is not None, "an alert expires"
    before = [r.alert.occurrence for r in history if r.alert.kind == telling.kind]
    alert = tables.Alert(
        subscription_id=case.subscription.id,
        night_name=case.night.name,
        kind=telling.kind.value,
        occurrence=max(before, default=0) + 1,
        decision_id=case.decision.id,
        why=telling.why.value,
        raised_at=now,
        expires_at=telling.expires_at,
        facts=to_json(facts),
    )
    session.add(alert)
    session.flush()
    return alert


def _as_told(alert: tables.Alert) -> Told:
    facts = from_json(AlertFacts, alert.facts)
    return Told(
        kind=AlertKind(alert.kind),
        at=alert.raised_at,
        chance_pct=facts.chance_pct,
        window=facts.window,
        leave_by=facts.leave_by,
        occurrence=alert.occurrence,
    )


def enqueue_together(
    session: Session, alerts: list[tables.Alert], address_id: int, *, now: datetime, wall: datetime
) -> tables.Message | None:
    """One message that carries all the alerts of an address in this cycle; None when there are none."""
    if not alerts:
        return None
    return messages.enqueue(session, address_id, alerts, created_at=now, due_at=wall)
