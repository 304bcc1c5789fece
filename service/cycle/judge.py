"""Stage 3: rows of nights and forecasts -> outlooks and decisions, and what to tell of them.

Each address is judged in one transaction, in which its decisions, alerts and messages are written
together: a stored decision that calls for an alert always has its message.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import groupby

from sqlalchemy.orm import Session, sessionmaker

from alerts import RULES_VERSION
from alerts.assess import is_night_of
from alerts.night import Night, name_at
from alerts.verdict import Verdict, judge
from alerts.weather.clearness import build_outlook
from alerts.weather.outlook import Outlook
from alerts.wishes import Wishes
from service.cycle import tell
from service.cycle.sky import coming_nights
from service.store import tables
from service.store.codec import from_json, to_json
from service.store.decisions import keep_outlook, newest_decisions
from service.store.forecasts import StoredForecast, newest_by_place, place_key
from service.store.people import active_subscriptions
from service.store.sites import StoredSite, newest_revisions

CHANCE_STEP_PCT = 5
"""A chance that moves by less is no news: 37 % and 38 % share a fingerprint."""


@dataclass(frozen=True, slots=True)
class Judging:
    """What the stage needs. cycle: time to the next run. invented: mark all that is told."""

    sessions: sessionmaker[Session]
    cycle: timedelta
    invented: bool = False


@dataclass(slots=True)
class _Shelf:
    """What one run has read and worked out, shared by all who ask the same."""

    sites: dict[int, StoredSite]
    nights: dict[tuple[int, str], list[tables.Night]]
    forecasts: dict[str, list[StoredForecast]]
    decoded: dict[int, Night] = field(default_factory=dict)
    outlooks: dict[tuple[int, int, timedelta], Outlook] = field(default_factory=dict)

    def night(self, row: tables.Night) -> Night:
        if row.id not in self.decoded:
            self.decoded[row.id] = from_json(Night, row.facts)
        return self.decoded[row.id]


def run(judging: Judging, now: datetime, wall: datetime) -> dict[str, int]:
    """Judge every coming night of every active subscription; what was decided and told."""
    with judging.sessions() as session:
        subscriptions = active_subscriptions(session, now)
        shelf = _fill_shelf(session, subscriptions, now)
    counts: dict[str, int] = defaultdict(int)
    for _, group in groupby(subscriptions, key=lambda each: each.address_id):
        with judging.sessions.begin() as session:
            for name, count in _judge_address(session, judging, shelf, list(group), now, wall).items():
                counts[name] += count
    return dict(counts)


def _fill_shelf(session: Session, subscriptions: Sequence[tables.Subscription], now: datetime) -> _Shelf:
    sites = newest_revisions(session, {each.site_id for each in subscriptions})
    nights: dict[tuple[int, str], list[tables.Night]] = defaultdict(list)
    for row in coming_nights(session, {stored.revision_id for stored in sites.values()}, now):
        nights[row.site_revision_id, row.sky_key].append(row)
    places = {place_key(stored.site) for stored in sites.values()}
    return _Shelf(sites, nights, newest_by_place(session, places, now))


def _judge_address(
    session: Session,
    judging: Judging,
    shelf: _Shelf,
    subscriptions: list[tables.Subscription],
    now: datetime,
    wall: datetime,
) -> dict[str, int]:
    """Decide and tell for one address; its alerts of this cycle share one message."""
    first = min(name_at(shelf.sites[each.site_id].site, now) for each in subscriptions)
    before = newest_decisions(session, [each.id for each in subscriptions], first)
    history = tell.load_history(session, [each.id for each in subscriptions], first)
    counts: dict[str, int] = defaultdict(int)
    raised: list[tables.Alert] = []
    for subscription in subscriptions:
        stored, wishes = shelf.sites[subscription.site_id], from_json(Wishes, subscription.wishes)
        for row in _nights_to_judge(shelf, subscription, stored, wishes, now):
            known = before.get((subscription.id, row.name))
            verdict, decision = _decide(session, shelf, subscription, stored, wishes, row, known, now)
            counts["decided" if decision is not known else "confirmed"] += 1
            alert = tell.consider(
                session,
                tell.Case(subscription, stored.site, wishes, shelf.night(row), verdict, decision),
                history[subscription.id, row.name],
                now=now,
                cycle=judging.cycle,
                invented=judging.invented,
            )
            if alert is not None:
                raised.append(alert)
                counts[alert.kind] += 1
    tell.enqueue_together(session, raised, subscriptions[0].address_id, now=now, wall=wall)
    return counts


def _nights_to_judge(
    shelf: _Shelf, subscription: tables.Subscription, stored: StoredSite, wishes: Wishes, now: datetime
) -> list[tables.Night]:
    """Tonight and as many nights as the person wants to hear of."""
    last = name_at(stored.site, now) + timedelta(days=wishes.days_ahead)
    rows = shelf.nights.get((stored.revision_id, subscription.sky_key), [])
    return [row for row in rows if row.name <= last]


def _decide(
    session: Session,
    shelf: _Shelf,
    subscription: tables.Subscription,
    stored: StoredSite,
    wishes: Wishes,
    row: tables.Night,
    known: tables.Decision | None,
    now: datetime,
) -> tuple[Verdict, tables.Decision]:
    """The verdict, and its row: a new one when it changed, else the known one confirmed."""
    night = shelf.night(row)
    forecasts = shelf.forecasts.get(place_key(stored.site), [])
    outlooks = [
        _outlook(shelf, row, index, forecasts, wishes, stored, now) for index in range(len(night.windows))
    ]
    verdict = judge(night, outlooks, wishes, now=now, site=stored.site)
    print_ = fingerprint(verdict)
    if known is not None and (known.fingerprint, known.night_id) == (print_, row.id):
        known.confirmed_at = now
        return verdict, known
    kept = _keep_outlooks(session, row, outlooks, forecasts, wishes, now)
    decision = _decision_row(subscription, stored, wishes, row, verdict, print_, now)
    decision.outlook_ids = [each.id for each in kept]
    decision.forecast_ids = [each.forecast_id for each in forecasts] if kept else []
    session.add(decision)
    session.flush()
    return verdict, decision


def _outlook(
    shelf: _Shelf,
    row: tables.Night,
    index: int,
    forecasts: list[StoredForecast],
    wishes: Wishes,
    stored: StoredSite,
    now: datetime,
) -> Outlook | None:
    if not forecasts:
        return None
    key = (row.id, index, wishes.shortest_window)
    if key not in shelf.outlooks:
        shelf.outlooks[key] = build_outlook(
            shelf.night(row).windows[index].span,
            [each.forecast for each in forecasts],
            shortest=wishes.shortest_window,
            now=now,
            is_night_of=is_night_of(stored.site, row.name, now),
        )
    return shelf.outlooks[key]


def _keep_outlooks(
    session: Session,
    row: tables.Night,
    outlooks: list[Outlook | None],
    forecasts: list[StoredForecast],
    wishes: Wishes,
    now: datetime,
) -> list[tables.Outlook]:
    ids = [each.forecast_id for each in forecasts]
    shortest_minutes = round(wishes.shortest_window / timedelta(minutes=1))
    kept = []
    for index, outlook in enumerate(outlooks):
        if outlook is None:
            continue
        facts = to_json(outlook)
        digest = hashlib.sha256(f"{ids}{outlook.chance_pct}{facts['hazards']}".encode()).hexdigest()
        fresh = tables.Outlook(
            night_id=row.id,
            window_index=index,
            shortest_minutes=shortest_minutes,
            inputs=digest,
            forecast_ids=ids,
            chance_pct=outlook.chance_pct,
            facts=facts,
        )
        kept.append(keep_outlook(session, fresh, as_of=now))
    return kept


def _decision_row(
    subscription: tables.Subscription,
    stored: StoredSite,
    wishes: Wishes,
    row: tables.Night,
    verdict: Verdict,
    print_: str,
    now: datetime,
) -> tables.Decision:
    return tables.Decision(
        subscription_id=subscription.id,
        night_id=row.id,
        night_name=row.name,
        site_revision_id=stored.revision_id,
        as_of=now,
        confirmed_at=now,
        verdict=verdict.word.value,
        deciding_rule=verdict.deciding.rule,
        fingerprint=print_,
        chance_pct=verdict.outlook.chance_pct if verdict.outlook else None,
        window_start=verdict.window.span.start if verdict.window else None,
        window_end=verdict.window.span.end if verdict.window else None,
        reasons=[to_json(reason) for reason in verdict.reasons],
        wishes=to_json(wishes),
        kernel=row.kernel,
        rules_version=RULES_VERSION,
    )


def fingerprint(verdict: Verdict) -> str:
    """What matters of a verdict to a person, rounded; the same text means no news."""
    window = verdict.window.span if verdict.window else None
    chance = verdict.outlook.chance_pct if verdict.outlook else None
    stepped = "-" if chance is None else str(CHANCE_STEP_PCT * round(chance / CHANCE_STEP_PCT))
    span = f"{window.start:%d%H%M}-{window.end:%d%H%M}" if window else "-"
    failing = ",".join(reason.rule for reason in verdict.reasons if reason.result.value == "fail")
    return f"{verdict.word}|{verdict.deciding.rule}|{stepped}|{span}|{failing}"[:200]
