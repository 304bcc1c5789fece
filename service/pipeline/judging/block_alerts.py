"""What a look calls for: alerts in the transaction of their decisions, what they say, and one message for an
address."""

from __future__ import annotations

import logging
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from alerts.briefing.collect import NightFindings, alert_facts, build_field_notes, ground_note, sky_note
from alerts.briefing.facts import AlertFacts
from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.field.kit import Kit, parse_kit
from alerts.field.trip_plan import plan_from
from alerts.judging.comparison import SiteChoice, choice_of, others_than
from alerts.judging.privacy import discreet, shared_site
from alerts.judging.ranking import rough_worth
from alerts.judging.verdict import VerdictWord
from alerts.judging.window_brightness import optical_depth, window_sky
from alerts.notifying.model import AlertKind
from alerts.sky.ephemeris import Ephemeris
from alerts.weather.chance import CloudHour, cloud_hours
from alerts.wishes.model import Wishes
from service.hindsight.track_record import RecordLines
from service.pipeline.judging.review import Review
from service.store.json_values import to_json
from service.store.repositories import decisions, messages
from service.store.repositories.decisions import keep_rows
from service.store.repositories.due_reviews import parsed_wishes
from service.store.repositories.subscriptions import active_of_addresses
from service.store.schema.core_tables import AlertRow, DecisionRow

MOST_KEPT = 2_000
"""Of some kilobytes each; who asks the same is judged one after the other."""
log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class PlannedAlert:
    """An alert to be raised. number: the place of its look; values: its row but for the decision."""

    number: int
    address_id: int
    values: dict[str, Any]


def plan_alerts(session: Session, notes: MessageNotes, looks: Sequence[Review]) -> list[PlannedAlert]:
    """The alerts that these looks call for.

    looks: all of some addresses', those that call for silence included. Nothing is written.
    """
    if all(each.telling.kind is None for each in looks):
        return []
    choices = _choices(session, looks, notes.now)
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
            "raised_at": notes.now,
            "expires_at": telling.expires_at,
            "facts": to_json(notes.facts(session, each, choices[watch.address_id, name])),
        }
        planned.append(PlannedAlert(number, watch.address_id, values))
    return planned


def write_alerts(
    session: Session, planned: Sequence[tuple[int, PlannedAlert]], *, now: datetime, wall: datetime
) -> dict[str, int]:
    """Raise these, each with the id of its decision, one message an address; how many of each kind.
    wall: from when on the messages are due."""
    rows = [{**each.values, "decision_id": decision_id} for decision_id, each in planned]
    ids = keep_rows(session, AlertRow, rows)
    carried: defaultdict[int, list[tuple[int, datetime]]] = defaultdict(list)
    for alert_id, (_, each) in zip(ids, planned, strict=True):
        carried[each.address_id].append((alert_id, each.values["expires_at"]))
    messages.enqueue_many(session, carried, created_at=now, due_at=wall)
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
            choice = choice_of(each.site.stored.site, each.judged.verdict, each.trip)
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
        return SiteChoice(site_name, word, chance_pct, 0.0, None)
    window = Span(decision.window_start, decision.window_end)
    drive = wishes.drive_on(decision.night_name)
    trip = plan_from(window, wishes, leave_by + drive.length, drive)
    return SiteChoice(site_name, word, chance_pct, rough_worth(window, chance_pct), window, trip, place)


@dataclass(slots=True)
class MessageNotes:
    """What the messages of one run say: the verdict, notes for the field, the sky, the cloud, the record, the
    other sites; worked out once for all who ask the same.

    ephemeris: None leaves out what needs it. invented: mark them so.
    """

    now: datetime
    ephemeris: Ephemeris | None
    invented: bool = False
    _records: RecordLines = field(default_factory=RecordLines)
    _kept: dict[tuple[Any, ...], Any] = field(default_factory=dict)

    def facts(self, session: Session, review: Review, choices: Mapping[int, SiteChoice]) -> AlertFacts:
        """All that is told of this look. choices: of the person's sites on that night, by subscription."""
        watch, stored, night = review.watch, review.site.stored, review.judged.night
        now, kind, verdict, wishes = self.now, review.telling.kind, review.judged.verdict, watch.known.wishes
        window, trip, made = verdict.window, review.trip, self._kept
        if len(made) >= MOST_KEPT:
            made.clear()
        goes, ahead = kind in (AlertKind.GO, AlertKind.CHANGED), kind is not AlertKind.STAND_DOWN
        # to others than its owner the site without what leads there, the verdict without the site's note
        place = stored.site if watch.is_own else shared_site(stored.site)
        place_key = stored.revision_id, watch.is_own
        found = NightFindings(
            site=place, night=night.night, verdict=verdict, wishes=wishes, now=now, plan=trip
        )

        # the chance of cloud hour by hour, from sunset on
        cloud: tuple[CloudHour, ...] = ()
        if ahead:
            key: tuple[Any, ...] = "cloud", stored.revision_id, night.night_id
            if key not in made:
                made[key] = cloud_hours(night.night.sunset_to_sunrise, review.site.inputs.forecasts, now=now)
            cloud = made[key]

        # for who goes, the sky where the camera looks, the ground, and the notes for the field and their kit
        notes, sky, ground = None, None, None
        if goes and self.ephemeris is not None and window is not None:
            aod = optical_depth(verdict)
            key = "sky", *place_key, window.span, window.target, aod
            if key not in made:
                made[key] = sky_note(window, window_sky(place, window, self.ephemeris, aod))
            sky = made[key]
            key = "ground", *place_key, night.night_id
            if key not in made:
                made[key] = ground_note(place, night.night, self.ephemeris)
            ground = made[key]
            if trip is not None:
                made_for = window.span, trip, wishes.shortest_window, watch.kit, verdict.outlook
                key = "field", *place_key, night.night_id, *made_for
                if key not in made:
                    kit, known = read_kit(watch.kit, watch.subscription_id), replace(found, cloud=cloud)
                    made[key] = build_field_notes(known, window, self.ephemeris, kit)
                notes = made[key]

        # what came of forecasts like this one
        record = ""
        if ahead and window is not None and verdict.chance_pct is not None:
            before = window.span.start - now
            record = self._records.line(session, watch.site_id, before, verdict.chance_pct)

        told = verdict if watch.is_own else discreet(verdict)
        found = replace(found, verdict=told, invented=self.invented, notes=notes, sky=sky, ground=ground)
        found = replace(found, record=record, cloud=() if goes else cloud)
        others = others_than(choices[watch.subscription_id], list(choices.values()), now)
        return alert_facts(review.telling, found, told=review.answers, others=others)


def read_kit(text: str, subscription_id: int) -> Kit | None:
    """The kit that a subscription names; None, the default, where it names none or it can't be read."""
    if not text:
        return None
    try:
        return parse_kit(text)
    except BadInput:
        log.warning("the kit of subscription %s can't be read; the default stands in", subscription_id)
        return None
