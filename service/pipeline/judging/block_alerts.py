"""What a look calls for: alerts in the transaction of their decisions, and one message for an address."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from alerts.common.span import Span
from alerts.field.trip_plan import plan_from
from alerts.judging.comparison import SiteChoice, choice_of
from alerts.judging.ranking import rough_worth
from alerts.judging.verdict import VerdictWord
from alerts.wishes.model import Wishes
from service.pipeline.judging.message_notes import MessageNotes
from service.pipeline.judging.review import Review
from service.store.json_values import to_json
from service.store.repositories import decisions, messages
from service.store.repositories.decisions import keep_rows
from service.store.repositories.due_reviews import parsed_wishes
from service.store.repositories.subscriptions import active_of_addresses
from service.store.schema.core_tables import AlertRow, DecisionRow


@dataclass(frozen=True, slots=True)
class AlertContext:
    """What telling needs beside the looks."""

    now: datetime
    wall: datetime
    notes: MessageNotes


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
    if all(each.telling.kind is None for each in looks):
        return []
    choices = _choices(session, looks, context.now)
    planned = []
    for number, each in enumerate(looks):
        telling, watch, name = each.telling, each.watch, each.judged.night.name
        if telling.kind is None:
            continue
        assert telling.expires_at is not None, "an alert expires"
        values = {
            "subscription_id": watch.subscription_id,
            "night_name": name,
            "kind": telling.kind.value,
            "occurrence": each.occurrence,
            "why": telling.why.value,
            "raised_at": context.now,
            "expires_at": telling.expires_at,
            "facts": to_json(context.notes.facts(session, each, choices[watch.address_id, name])),
        }
        planned.append(PlannedAlert(number, watch.address_id, values))
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


def _choices(
    session: Session, looks: Sequence[Review], now: datetime
) -> dict[tuple[int, date], dict[int, SiteChoice]]:
    """For each address and night that is told of, all of the person's sites by subscription: those that
    needed no look now by their newest decisions, those that somebody paused or gave up aside."""
    wanted = {
        (each.watch.address_id, each.judged.night.name) for each in looks if each.telling.kind is not None
    }
    found: dict[tuple[int, date], dict[int, SiteChoice]] = {key: {} for key in wanted}
    for each in looks:
        key = (each.watch.address_id, each.judged.night.name)
        if key in wanted:
            choice = choice_of(each.site.stored.site, each.verdict, each.trip)
            found[key][each.watch.subscription_id] = choice

    looked_at = {each.watch.subscription_id for each in looks}
    others = active_of_addresses(session, {address_id for address_id, _ in wanted}, now) - looked_at
    for known in decisions.newest_with_places(session, others, {name for _, name in wanted}):
        decision = known.decision
        key = (known.address_id, decision.night_name)
        if key in wanted:
            wishes = parsed_wishes(known.wishes).wishes
            place = (known.lat_deg, known.lon_deg)
            found[key][decision.subscription_id] = _as_decided(known.site_name, place, wishes, decision)
    return found


def _as_decided(
    site_name: str, place: tuple[float, float], wishes: Wishes, decision: DecisionRow
) -> SiteChoice:
    """What a decision makes of a site."""
    word, chance_pct, leave_by = VerdictWord(decision.verdict), decision.chance_pct, decision.leave_by
    if decision.window_start is None or decision.window_end is None or leave_by is None:
        return SiteChoice(site_name, word, chance_pct, 0.0, None, None)
    window = Span(decision.window_start, decision.window_end)
    drive = wishes.drive_on(decision.night_name)
    trip = plan_from(window, wishes, leave_by + drive.length, drive)
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
        drive.length if drive.is_known else None,
    )
