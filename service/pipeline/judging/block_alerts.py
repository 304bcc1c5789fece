"""What a look calls for: alerts in the transaction of their decisions, and one message for an address."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from alerts.briefing.collect import alert_facts
from alerts.briefing.facts.alert import AlertFacts
from alerts.common.span import Span
from alerts.field.trip_plan import plan_from
from alerts.judging.comparison import SiteChoice, choice_of, others_than
from alerts.judging.ranking import rough_worth
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind, PastAlert, Why
from alerts.wishes.model import Wishes
from service.pipeline.judging.message_notes import MessageNotes
from service.pipeline.judging.review import AlertStatus, Review
from service.store.json_values import to_json
from service.store.repositories import decisions, messages
from service.store.repositories.alerts import alerts_raised
from service.store.repositories.decisions import SubscriptionNight, keep_rows
from service.store.repositories.due_reviews import parsed_wishes
from service.store.repositories.messages import Status
from service.store.repositories.subscriptions import active_of_addresses
from service.store.schema.core_tables import AlertRow, DecisionRow

_ENDED_UNSENT = (Status.FAILED, Status.EXPIRED, Status.SUPERSEDED, Status.SUPPRESSED)


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
    for each in alerts_raised(session, subscription_ids, first):
        arrived = each.dropped is None and (each.maybe_sent or each.status in (Status.SENT, Status.SENDING))
        waits = each.dropped is None and each.status not in _ENDED_UNSENT
        live = arrived or waits or each.dropped == messages.CANCELLED
        raised = AlertStatus(_as_told(each.alert), live, arrived)
        history[each.alert.subscription_id, each.alert.night_name].append(raised)
    return history


def _as_told(alert: AlertRow) -> PastAlert:
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
    ids = keep_rows(session, AlertRow, rows)
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
    session: Session, context: AlertContext, review: Review, choices: Mapping[int, SiteChoice]
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
) -> dict[tuple[int, date], dict[int, SiteChoice]]:
    """For each address and night that is told of, all of the person's sites by subscription."""
    wanted = {(each.watch.address_id, each.judged.night.name) for each in telling}
    found: dict[tuple[int, date], dict[int, SiteChoice]] = {key: {} for key in wanted}
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
) -> Iterable[tuple[tuple[int, date], int, SiteChoice]]:
    """The same addresses' other sites, which needed no look now, by their newest decisions; those that
    somebody paused or gave up aside."""
    names = {name for _, name in wanted}
    others = active_of_addresses(session, {address_id for address_id, _ in wanted}, now) - looked_at
    for each in decisions.newest_with_places(session, others, names):
        decision = each.decision
        if (each.address_id, decision.night_name) in wanted:
            wishes = parsed_wishes(each.wishes).wishes
            choice = _choice_of_row(each.site_name, (each.lat_deg, each.lon_deg), wishes, decision)
            yield (each.address_id, decision.night_name), decision.subscription_id, choice


def _choice_of_row(
    site_name: str, place: tuple[float, float], wishes: Wishes, decision: DecisionRow
) -> SiteChoice:
    word, chance_pct, leave_by = VerdictWord(decision.verdict), decision.chance_pct, decision.leave_by
    if decision.window_start is None or decision.window_end is None or leave_by is None:
        return SiteChoice(site_name, word, chance_pct, 0.0, None, None)
    window = Span(decision.window_start, decision.window_end)
    drive = wishes.drive_on(decision.night_name)
    trip = plan_from(window, wishes, leave_by + drive, drive)
    return SiteChoice(
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
