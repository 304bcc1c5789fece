"""What would have been told of nights that are judged again: the ladder over their moments, nothing sent.

Every word is taken to have arrived, and nobody to have paused. Alerts of weeks before the first moment
don't count toward a person's weekly limit.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from alerts.judging.verdict import Verdict, trip_to
from alerts.notifying.model import (
    AlertKind,
    AlertLevel,
    NotificationDecision,
    NotificationInput,
    PastAlert,
    Why,
    held_since,
)
from alerts.notifying.policy import build_seen, what_to_tell
from alerts.sites.model import Site
from alerts.wishes.model import Wishes
from service.store.repositories.decisions import SubscriptionNight

WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class JudgedMoment:
    """A night as it is judged at one moment for one subscription at that address."""

    at: datetime
    subscription_id: int
    address_id: int
    night: date
    site: Site
    wishes: Wishes
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Ring:
    """One alert: its kind, when it was raised, and why (`alerts.notifying.model.Why`)."""

    kind: str
    at: datetime
    why: str


@dataclass(slots=True)
class _State:
    """What has been told of one night so far, and since when it stands on its rung."""

    told: list[PastAlert] = field(default_factory=list)
    stood: tuple[AlertLevel, datetime] | None = None


def tell_again(moments: Iterable[JudgedMoment], cycle: timedelta) -> dict[SubscriptionNight, list[Ring]]:
    """The alerts that these moments call for, by subscription and night. cycle: time between two runs."""
    cycles: defaultdict[datetime, list[JudgedMoment]] = defaultdict(list)
    for moment in moments:
        cycles[moment.at].append(moment)
    states: defaultdict[SubscriptionNight, _State] = defaultdict(_State)
    rang: defaultdict[int, set[datetime]] = defaultdict(set)
    rings: defaultdict[SubscriptionNight, list[Ring]] = defaultdict(list)
    for _, group in sorted(cycles.items()):  # what rings in a cycle counts once, and only afterwards
        for moment in group:
            key = (moment.subscription_id, moment.night)
            week = sum(at > moment.at - WEEK for at in rang[moment.address_id] if at < moment.at)
            telling = _tell(moment, states[key], cycle, week)
            if telling.kind is not None:
                rings[key].append(Ring(telling.kind.value, moment.at, telling.why.value))
                if telling.kind is not AlertKind.STAND_DOWN and telling.why is not Why.LAST_WORD:
                    rang[moment.address_id].add(moment.at)
    return dict(rings)


def _tell(moment: JudgedMoment, state: _State, cycle: timedelta, told_this_week: int) -> NotificationDecision:
    """What to tell now; kept in the state, as the next moment compares with it."""
    site, wishes, verdict = moment.site, moment.wishes, moment.verdict
    plan = trip_to(verdict, wishes, site)
    seen = build_seen(verdict, moment.night, moment.at, site.tz)
    since = held_since(state.stood, seen.rung, moment.at)
    state.stood = (seen.rung, since)
    look = NotificationInput(
        tuple(state.told),
        replace(seen, held_since=since),
        moment.at,
        cycle,
        wishes,
        plan,
        wishes.clock(site.tz),
        told_this_week,
    )
    telling = what_to_tell(look)
    if telling.kind is not None:
        state.told.append(
            PastAlert(
                kind=telling.kind,
                at=moment.at,
                chance_pct=verdict.chance_pct,
                window=verdict.usable or (state.told[-1].window if state.told else None),
                leave_by=plan.leave_by if plan else None,
                occurrence=telling.occurrence,
                why=telling.why,
                is_last_word=telling.is_last_word,
            )
        )
    return telling
