"""What a look calls for: alerts in the transaction of their decisions, and one message for an address."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Text, cast, func, select
from sqlalchemy.orm import Session

from alerts.briefing.collect import alert_facts
from alerts.briefing.facts.alert import AlertFacts
from alerts.common.span import Span
from alerts.field.trip_plan import plan_from
from alerts.judging.ranking import rough_worth
from alerts.judging.site_choice import Choice, choice_of, others_than
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind, PastAlert, Why
from alerts.wishes.model import Wishes
from service.pipeline.judging.message_notes import MessageNotes
from service.pipeline.judging.review import AlertStatus, Review
from service.store.chunks import in_chunks
from service.store.json_values import to_json
from service.store.repositories import messages
from service.store.repositories.decisions import SubscriptionNight, keep_rows
from service.store.repositories.due_reviews import parsed_wishes
from service.store.repositories.messages import Status
from service.store.repositories.people import is_active
from service.store.schema import core_tables

_ENDED_UNSENT = (Status.FAILED, Status.EXPIRED, Status.SUPERSEDED, Status.SUPPRESSED)
_RINGS = (AlertKind.HEADS_UP, AlertKind.GO, AlertKind.CHANGED)
WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class AlertContext:
    """What telling needs beside the looks. notes: what messages say beside the verdict."""

    now: datetime
    wall: datetime
    notes: MessageNotes
    invented: bool = False


def read_history(
    session: Session, subscription_ids: Sequence[int], first: date
) -> defaultdict[SubscriptionNight, list[AlertStatus]]:
    """The alerts raised so far for these subscriptions, by night, oldest first."""
    history: defaultdict[SubscriptionNight, list[AlertStatus]] = defaultdict(list)
    for ids in in_chunks(subscription_ids):
        query = (
            select(
                core_tables.Alert,
                core_tables.MessageAlert.dropped,
                core_tables.Message.status,
                core_tables.Message.maybe_sent,
            )
            .join(core_tables.MessageAlert, core_tables.MessageAlert.alert_id == core_tables.Alert.id)
            .join(core_tables.Message, core_tables.Message.id == core_tables.MessageAlert.message_id)
            .where(core_tables.Alert.subscription_id.in_(ids), core_tables.Alert.night_name >= first)
            .order_by(core_tables.Alert.id)
        )
        for alert, dropped, status, maybe_sent in session.execute(query):
            arrived = dropped is None and (maybe_sent or status in (Status.SENT, Status.SENDING))
            waits = dropped is None and status not in _ENDED_UNSENT
            live = arrived or waits or dropped == messages.CANCELLED
            raised = AlertStatus(_as_told(alert), live, arrived)
            history[alert.subscription_id, alert.night_name].append(raised)
    return history


def _as_told(alert: core_tables.Alert) -> PastAlert:
    facts = alert.facts
    return PastAlert(
        kind=AlertKind(alert.kind),
        at=alert.raised_at,
        chance_pct=facts.get("chance_pct"),
        window=_span(facts.get("window")),
        leave_by=_moment(facts.get("leave_by")),
        occurrence=alert.occurrence,
        why=Why(alert.why) if alert.why in set(Why) else None,
        is_last_word=bool(facts.get("is_last_word", False)),
    )


def _span(values: Mapping[str, str] | None) -> Span | None:
    if values is None:
        return None
    return Span(datetime.fromisoformat(values["start"]), datetime.fromisoformat(values["end"]))


def _moment(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def told_this_week(session: Session, address_ids: Iterable[int], now: datetime) -> dict[int, int]:
    """How many cycles made each of these addresses ring in the last seven days, warnings aside."""
    found: dict[int, int] = {}
    for ids in in_chunks(sorted(set(address_ids))):
        query = (
            select(core_tables.Subscription.address_id, func.count(core_tables.Alert.raised_at.distinct()))
            .join(core_tables.Alert, core_tables.Alert.subscription_id == core_tables.Subscription.id)
            .where(
                core_tables.Subscription.address_id.in_(ids),
                core_tables.Alert.raised_at > now - WEEK,
                core_tables.Alert.kind.in_(_RINGS),
                core_tables.Alert.why != Why.LAST_WORD,
            )
            .group_by(core_tables.Subscription.address_id)
        )
        found |= {row[0]: row[1] for row in session.execute(query)}
    return found


@dataclass(frozen=True, slots=True)
class PlannedAlert:
    """An alert to be raised. number: the place of its look; values: its row but for the decision."""

    number: int
    address_id: int
    values: dict[str, Any]


def plan_alerts(session: Session, context: AlertContext, looks: Sequence[Review]) -> list[PlannedAlert]:
    """The alerts that these looks call for.

    looks: all of some addresses', those that call for silence included. Nothing is written.
    """
    telling = [(number, each) for number, each in enumerate(looks) if each.telling.kind is not None]
    if not telling:
        return []
    choices = _choices(session, looks, [each for _, each in telling], context.now)
    planned = []
    for number, each in telling:
        mine = choices[each.watch.address_id, each.judged.night.name]
        values = _alert(context, each, _facts(session, context, each, mine))
        planned.append(PlannedAlert(number, each.watch.address_id, values))
    return planned


def write_alerts(
    session: Session, context: AlertContext, planned: Sequence[tuple[int, PlannedAlert]]
) -> dict[str, int]:
    """Raise these, each with the id of its decision, one message an address; how many of each kind."""
    rows = [{**each.values, "decision_id": decision_id} for decision_id, each in planned]
    ids = keep_rows(session, core_tables.Alert, rows)
    carried: defaultdict[int, list[tuple[int, datetime]]] = defaultdict(list)
    for alert_id, (_, each) in zip(ids, planned, strict=True):
        carried[each.address_id].append((alert_id, each.values["expires_at"]))
    messages.enqueue_many(session, carried, created_at=context.now, due_at=context.wall)
    return dict(Counter(each.values["kind"] for _, each in planned))


def _alert(context: AlertContext, review: Review, facts: AlertFacts) -> dict[str, Any]:
    telling = review.telling
    assert telling.kind is not None, "silence raises nothing"
    assert telling.expires_at is not None, "an alert expires"
    return {
        "subscription_id": review.watch.subscription_id,
        "night_name": review.judged.night.name,
        "kind": telling.kind.value,
        "occurrence": review.occurrence,
        "why": telling.why.value,
        "raised_at": context.now,
        "expires_at": telling.expires_at,
        "facts": to_json(facts),
    }


def _facts(
    session: Session, context: AlertContext, review: Review, choices: Mapping[int, Choice]
) -> AlertFacts:
    lead, notes = choices[review.watch.subscription_id], context.notes
    goes = review.telling.kind in (AlertKind.GO, AlertKind.CHANGED)
    ahead = review.telling.kind is not AlertKind.STAND_DOWN
    found = replace(
        notes.findings(review),
        verdict=review.told_verdict,
        invented=context.invented,
        notes=notes.field_notes(review) if goes else None,
        sky=notes.sky(review) if goes else None,
        record=notes.record(session, review) if ahead else "",
        cloud=notes.cloud(review) if ahead and not goes else (),
    )
    others = others_than(lead, list(choices.values()), context.now)
    return alert_facts(review.telling, found, told=review.answers, others=others)


def _choices(
    session: Session, looks: Sequence[Review], telling: Sequence[Review], now: datetime
) -> dict[tuple[int, date], dict[int, Choice]]:
    """For each address and night that is told of, all of the person's sites by subscription."""
    wanted = {(each.watch.address_id, each.judged.night.name) for each in telling}
    found: dict[tuple[int, date], dict[int, Choice]] = {key: {} for key in wanted}
    for each in looks:
        key = (each.watch.address_id, each.judged.night.name)
        if key in wanted:
            choice = choice_of(each.site.stored.site, each.verdict, each.trip)
            found[key][each.watch.subscription_id] = choice
    looked_at = {each.watch.subscription_id for each in looks}
    for (address_id, name), subscription_id, choice in _undisturbed(session, wanted, looked_at, now):
        found[address_id, name][subscription_id] = choice
    return found


def _undisturbed(
    session: Session, wanted: set[tuple[int, date]], looked_at: set[int], now: datetime
) -> Iterable[tuple[tuple[int, date], int, Choice]]:
    """The same addresses' other sites, which needed no look now, by their newest decisions; those that
    somebody paused or gave up aside."""
    row, names = core_tables.Decision, {name for _, name in wanted}
    others = _active_at(session, {address_id for address_id, _ in wanted}, now) - looked_at
    for ids in in_chunks(sorted(others)):
        newest = (
            select(func.max(row.id))
            .where(row.subscription_id.in_(ids), row.night_name.in_(names))
            .group_by(row.subscription_id, row.night_name)
        )
        query = (
            select(
                core_tables.Subscription.address_id,
                core_tables.Site.name,
                cast(core_tables.Subscription.wishes, Text),
                core_tables.SiteRevision.lat_deg,
                core_tables.SiteRevision.lon_deg,
                row,
            )
            .join(core_tables.Subscription, core_tables.Subscription.id == row.subscription_id)
            .join(core_tables.SiteRevision, core_tables.SiteRevision.id == row.site_revision_id)
            .join(core_tables.Site, core_tables.Site.id == core_tables.Subscription.site_id)
            .where(row.id.in_(newest))
        )
        for address_id, site_name, text, *place, decision in session.execute(query):
            if (address_id, decision.night_name) in wanted:
                wishes = parsed_wishes(text).wishes
                choice = _choice_of_row(site_name, (place[0], place[1]), wishes, decision)
                yield (address_id, decision.night_name), decision.subscription_id, choice


def _active_at(session: Session, address_ids: set[int], now: datetime) -> set[int]:
    """The active subscriptions of these addresses."""
    row, found = core_tables.Subscription, set[int]()
    for ids in in_chunks(sorted(address_ids)):
        query = (
            select(row.id)
            .join(core_tables.Address, core_tables.Address.id == row.address_id)
            .join(core_tables.Site, core_tables.Site.id == row.site_id)
            .where(*is_active(now), row.address_id.in_(ids))
        )
        found.update(session.scalars(query))
    return found


def _choice_of_row(
    site_name: str, place: tuple[float, float], wishes: Wishes, decision: core_tables.Decision
) -> Choice:
    word, chance_pct, leave_by = VerdictWord(decision.verdict), decision.chance_pct, decision.leave_by
    if decision.window_start is None or decision.window_end is None or leave_by is None:
        return Choice(site_name, word, chance_pct, 0.0, None, None)
    window = Span(decision.window_start, decision.window_end)
    drive = wishes.drive_on(decision.night_name)
    trip = plan_from(window, wishes, leave_by + drive, drive)
    return Choice(
        site_name,
        word,
        chance_pct,
        rough_worth(window, chance_pct),
        window,
        leave_by,
        trip.latest_departure,
        trip.signal_lost_at,
        place,
        drive if wishes.knows_drive_on(decision.night_name) else None,
    )
