"""Stored decisions judged again on their stored inputs: by today's rules, or for other wishes.

Nothing is sent. Each decision keeps its site revision, its night, its wishes, its moment and its forecasts;
with the same rules and wishes the same verdict must come of them. On the day of a night the cycles between
its decisions are judged too, to see what would have been told when: the ladder over these moments. With
wishes that look further ahead there is nothing stored of the days before.

Every word is taken to have arrived, and nobody to have paused. Alerts of weeks before the first moment don't
count toward a person's weekly limit.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from itertools import groupby

from sqlalchemy.orm import Session

from alerts.judging.assess import JudgingInputs, Memo, assess
from alerts.judging.verdict import Verdict, VerdictWord, trip_to
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
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night
from alerts.sky.nights.night_builder import night_named
from alerts.weather.forecast import Forecast
from alerts.wishes.model import Wishes
from service.explain.stored_verdict import inputs_then, night_then, site_then
from service.store.json_values import from_json
from service.store.repositories.alerts import alerts_between
from service.store.repositories.cycles import cycles_between
from service.store.repositories.decisions import SubscriptionNight, decisions_between
from service.store.repositories.forecasts import forecasts_by_id, newest_by_place, place_key
from service.store.repositories.judged_events import stations_now
from service.store.repositories.nights import night_ids, sky_key, versioned
from service.store.repositories.sites import StoredSite
from service.store.schema.core_tables import DecisionRow, NightRow, SubscriptionRow

FRESH_FOR = timedelta(hours=2)
"""A verdict on the same forecasts is taken to hold so long within a day; time alone changes little in it."""
WEEK = timedelta(days=7)

Judged = tuple[DecisionRow, Verdict | None]
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Word:
    """A verdict in short: its word, the chance, and the rule that decided with its sentence."""

    verdict: str
    chance_pct: int | None
    rule: str
    text: str


@dataclass(frozen=True, slots=True)
class Rejudged:
    """One stored decision as it was, and as it would be; None where its forecasts were forgotten."""

    decision_id: int
    subscription_id: int
    site_name: str
    zone: str
    night: date
    as_of: datetime
    was: Word
    would_be: Word | None

    @property
    def is_same(self) -> bool:
        """Whether word, chance and deciding rule are the same."""
        new = self.would_be
        return new is not None and (self.was.verdict, self.was.chance_pct, self.was.rule) == (
            new.verdict,
            new.chance_pct,
            new.rule,
        )

    @property
    def is_other_word(self) -> bool:
        return self.would_be is not None and self.would_be.verdict != self.was.verdict


@dataclass(frozen=True, slots=True)
class Ring:
    """One alert: its kind, when it was raised, and why (`alerts.notifying.model.Why`)."""

    kind: str
    at: datetime
    why: str


@dataclass(frozen=True, slots=True)
class RejudgedNight:
    """The decisions of one subscription on one night, oldest first, and the alerts that came of them."""

    subscription_id: int
    site_name: str
    zone: str
    night: date
    decisions: tuple[Rejudged, ...]
    was_told: tuple[Ring, ...] = ()
    would_tell: tuple[Ring, ...] = ()

    @property
    def was_go(self) -> bool:
        return any(each.was.verdict == VerdictWord.GO for each in self.decisions)

    @property
    def would_be_go(self) -> bool:
        return any(each.would_be and each.would_be.verdict == VerdictWord.GO for each in self.decisions)

    @property
    def last_other(self) -> Rejudged | None:
        """The last of its decisions that would have had another word; None where none would."""
        return next((each for each in reversed(self.decisions) if each.is_other_word), None)

    @property
    def is_told_otherwise(self) -> bool:
        """Whether other alerts would have been raised, or at other times."""
        was = [(each.kind, each.at) for each in self.was_told]
        return was != [(each.kind, each.at) for each in self.would_tell]


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


@dataclass(slots=True)
class RejudgeInputs:
    """Inputs of one night at a time. other: wishes in place of those that decisions were made for, whose
    clock stays the subscriber's. cycle: time between two runs."""

    session: Session
    ephemeris: Ephemeris
    other: Wishes | None = None
    cycle: timedelta = timedelta(minutes=30)
    _night: date | None = None
    _forecasts: dict[int, Forecast] = field(default_factory=dict)
    _inputs: dict[object, tuple[JudgingInputs, Memo]] = field(default_factory=dict)
    _nights: dict[object, list[Night]] = field(default_factory=dict)
    _sites: dict[int, StoredSite] = field(default_factory=dict)

    def site_of(self, decision: DecisionRow) -> StoredSite:
        revision_id = decision.site_revision_id
        if revision_id not in self._sites:
            self._sites[revision_id] = site_then(self.session, revision_id)
        return self._sites[revision_id]

    def wishes_of(self, decision: DecisionRow) -> Wishes:
        """The wishes to judge by; others without a clock are read on the subscriber's, and those without a
        drive go by what was estimated from home then."""
        mine = from_json(Wishes, decision.wishes)
        if self.other is None:
            return mine
        clock_zone = self.other.clock_zone or mine.clock_zone
        return replace(self.other, clock_zone=clock_zone, drive_estimate=mine.drive_estimate)

    def judge_again(self, decision: DecisionRow) -> Verdict | None:
        """The verdict on the decision's own inputs; None where its forecasts are no longer kept."""
        if decision.night_name != self._night:
            self._night = decision.night_name
            for kept in (self._forecasts, self._inputs, self._nights):
                kept.clear()
        if not decision.forecast_ids and self.other is not None:
            return self._verdict(decision, self._known_then(decision, decision.as_of), decision.as_of)
        missing = set(decision.forecast_ids) - self._forecasts.keys()
        self._forecasts |= forecasts_by_id(self.session, missing)
        if not set(decision.forecast_ids) <= self._forecasts.keys():
            return None
        return self._verdict(decision, decision.forecast_ids, decision.as_of)

    def moments(self, judged: Sequence[Judged]) -> Iterator[JudgedMoment]:
        """When the night is told of, or not: at its decisions, and at the cycles between them on its day."""
        subscription = self.session.get_one(SubscriptionRow, judged[0][0].subscription_id)
        address_id = subscription.address_id
        for decision, verdict in judged:
            if verdict is not None:
                yield self._moment(decision, decision.as_of, verdict, address_id)

        # from the day's beginning at the site until the last window is over
        first = judged[0][0]
        site = self.site_of(first).site
        ends = [window.span.end for night in self._nights_of(first) for window in night.windows]
        day = datetime.combine(first.night_name, datetime.min.time(), site.tz)
        own = {decision.as_of for decision, _ in judged}
        before: tuple[object, datetime, Verdict] | None = None
        for at in cycles_between(self.session, day, max(ends)) if ends else ():
            found = next((each for each, _ in reversed(judged) if each.as_of < at), None)
            if at in own or found is None:
                continue
            ids = self._known_then(found, at)
            basis = (tuple(ids), stations_now(self.session, self.site_of(found).site, at), found.id)
            if before is None or before[0] != basis or at - before[1] >= FRESH_FOR:
                before = (basis, at, self._verdict(found, ids, at))
            yield self._moment(found, at, before[2], address_id)

    def _moment(self, decision: DecisionRow, at: datetime, verdict: Verdict, address_id: int) -> JudgedMoment:
        site = self.site_of(decision).site
        wishes = self.wishes_of(decision)
        return JudgedMoment(
            at, decision.subscription_id, address_id, decision.night_name, site, wishes, verdict
        )

    def _known_then(self, decision: DecisionRow, at: datetime) -> list[int]:
        """The numbers of the forecasts that were at hand for the site."""
        place = place_key(self.site_of(decision).site)
        found = newest_by_place(self.session, {place}, at).get(place, {})
        self._forecasts.update(found)
        return list(found)

    def _verdict(self, decision: DecisionRow, forecast_ids: Sequence[int], at: datetime) -> Verdict:
        """By today's rules without a correction; shared by all who asked the same of the site."""
        key = (decision.site_revision_id, tuple(forecast_ids), at)
        if key not in self._inputs:
            site = self.site_of(decision).site
            forecasts = [self._forecasts[number] for number in forecast_ids]
            inputs = inputs_then(self.session, site, forecasts, at)
            self._inputs[key] = inputs, Memo()
        inputs, memo = self._inputs[key]
        return assess(inputs, self._nights_of(decision), self.wishes_of(decision), memo).verdict

    def _nights_of(self, decision: DecisionRow) -> list[Night]:
        """The night under the sky of each target: as it was stored, computed where other wishes ask."""
        wishes = self.wishes_of(decision)
        key = (decision.site_revision_id, wishes.skies)
        if key in self._nights:
            return self._nights[key]
        if self.other is not None:
            site, name = self.site_of(decision).site, decision.night_name
            nights = [night_named(site, name, sky, self.ephemeris) for sky in wishes.skies]
        else:
            # by the keys of their skies, of the version that made the decision's night, or as they were
            # before they held a version; the decision's own where an earlier one wrote other keys
            version = self.session.get_one(NightRow, decision.night_id).rules_version
            earlier = [sky_key(sky) for sky in wishes.skies]
            keys = [versioned(each, version) for each in earlier]
            by_key = night_ids(
                self.session, decision.site_revision_id, decision.night_name, [*keys, *earlier]
            )
            known = keys if any(each in by_key for each in keys) else earlier
            ids = [by_key[each] for each in known if each in by_key] or [decision.night_id]
            nights = [night_then(self.session, night_id) for night_id in ids]
        self._nights[key] = nights
        return nights


def rejudge(
    inputs: RejudgeInputs,
    first: date,
    last: date,
    *,
    site_id: int | None = None,
    progress: Progress = lambda _done, _total: None,
) -> tuple[RejudgedNight, ...]:
    """Judge the decisions on the nights from `first` to `last` again, by night, then subscription.

    site_id: one site alone.
    """
    rows = decisions_between(inputs.session, first, last, site_id)
    nights: list[RejudgedNight] = []
    moments: list[JudgedMoment] = []
    done = 0
    for _, group in groupby(rows, key=lambda row: (row[0].night_name, row[0].subscription_id)):
        own = list(group)
        judged = [(decision, inputs.judge_again(decision)) for decision, _ in own]
        nights.append(_compared(inputs, own[0][1], judged))
        moments += inputs.moments(judged)
        done += len(own)
        progress(done, len(rows))
    rings = tell_again(moments, inputs.cycle)
    told: defaultdict[SubscriptionNight, list[Ring]] = defaultdict(list)
    for each in alerts_between(inputs.session, first, last):
        told[each.subscription_id, each.night_name].append(Ring(each.kind, each.raised_at, each.why))
    return tuple(
        replace(night, was_told=tuple(told.get(key, ())), would_tell=tuple(rings.get(key, ())))
        for night, key in ((night, (night.subscription_id, night.night)) for night in nights)
    )


def _compared(inputs: RejudgeInputs, site_name: str, judged: Sequence[Judged]) -> RejudgedNight:
    """One subscription's night: each of its decisions as it was, and as it would be."""
    first = judged[0][0]
    zone = inputs.site_of(first).site.zone
    decisions = []
    for decision, verdict in judged:
        text = str(decision.reasons[0]["text"]) if decision.reasons else ""
        would_be = None
        if verdict is not None:
            rule, why = verdict.deciding.rule, str(verdict.deciding.text)
            would_be = Word(verdict.word.value, verdict.chance_pct, rule, why)
        decisions.append(
            Rejudged(
                decision.id,
                decision.subscription_id,
                site_name,
                zone,
                decision.night_name,
                decision.as_of,
                was=Word(decision.verdict, decision.chance_pct, decision.deciding_rule, text),
                would_be=would_be,
            )
        )
    return RejudgedNight(first.subscription_id, site_name, zone, first.night_name, tuple(decisions))


# ---- what would have been told


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
