"""What some addresses are due to be told and what is decided for them, as plain values to be written.

Nothing is written here, so it may be worked out in another process, from rows as they are at one moment. The
`InputSnapshot` says what rows those were: what was plan is written only while they are still the same.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from alerts.notifying.model import AlertKind
from alerts.notifying.next_review import look_again_at, next_night_start
from alerts.sky.night_calendar import name_at
from service.pipeline.judging import block_alerts, write_decisions
from service.pipeline.judging.block_alerts import AlertContext, PlannedAlert
from service.pipeline.judging.message_notes import MessageNotes
from service.pipeline.judging.process_pool import WorkerState
from service.pipeline.judging.review import AlertStatus, Review, SubscriptionState, review_night
from service.pipeline.judging.shared_inputs import SharedInputs
from service.store.repositories import calibrations, decisions, forecasts
from service.store.repositories.alerts import count_rings
from service.store.repositories.decisions import LastDecision, SubscriptionNight
from service.store.repositories.due_reviews import (
    NIGHTS_BACK,
    DueReview,
    lock_subscriptions,
    pack_nights_due,
    parsed_wishes,
    read_nights_due,
)
from service.store.repositories.nights import LazyNight
from service.store.repositories.sites import newest_revision_ids

WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class InputSnapshot:
    """The rows that a look rests on, as far as they can change: the subscriptions, the newest decisions, what
    was raised and how far it came, the sites' descriptions, the newest answer of any feed."""

    watches: tuple[SubscriptionState, ...]
    before: Mapping[SubscriptionNight, LastDecision]
    history: Mapping[SubscriptionNight, list[AlertStatus]]
    revisions: Mapping[int, int]
    newest_forecast: int


@dataclass(frozen=True, slots=True)
class BlockPlan:
    """What is to be written. held: decisions that were reached again. alerts: each with the place of its
    decision among the drafts. noted: when each subscription is due for its next look; ended: those whose
    trips all lie behind."""

    snapshot: InputSnapshot
    drafts: write_decisions.Drafts
    held: list[int]
    alerts: list[tuple[int, PlannedAlert]]
    noted: list[dict[str, Any]]
    ended: list[int]


def read_snapshot(session: Session, due: Sequence[DueReview], now: datetime) -> InputSnapshot:
    """The rows as they are now; some subscriptions may have been paused, ended or judged meanwhile."""
    watches = _read_watches(session, due, now)
    ids = [watch.subscription_id for watch in watches]
    first = (now - NIGHTS_BACK).date()
    return InputSnapshot(
        tuple(watches),
        decisions.last_decisions(session, ids, first),
        dict(block_alerts.read_history(session, ids, first)),
        newest_revision_ids(session, {watch.site_id for watch in watches}),
        forecasts.newest_id(session),
    )


def _read_watches(session: Session, due: Sequence[DueReview], now: datetime) -> list[SubscriptionState]:
    looks = {each.subscription_id: each for each in due}
    watches = [
        SubscriptionState(
            each.subscription_id,
            each.address_id,
            each.site_id,
            parsed_wishes(each.wishes),
            not each.is_active,
            kit=each.kit,
            is_own=each.is_own,
            resting=_resting(looks[each.subscription_id], each.nights_due, each.judged_at, now),
        )
        for each in lock_subscriptions(session, list(looks), now)
        if each.judged_at != now and (each.is_active or looks[each.subscription_id].owed_only)
    ]
    return _with_weeks(session, watches, now)


def _resting(
    look: DueReview, nights_due: dict[str, Any] | None, judged_at: datetime | None, now: datetime
) -> dict[date, datetime]:
    """The nights that need no look now, and until when; none where something is new."""
    if not look.by_night:
        return {}
    known = read_nights_due(nights_due, judged_at)
    return {name: at for name, at in known.items() if at > now and name not in look.stirred}


def _with_weeks(session: Session, watches: list[SubscriptionState], now: datetime) -> list[SubscriptionState]:
    """How often their addresses rang this week, where somebody asks for a limit."""
    limited = {each.address_id for each in watches if each.wishes.most_a_week is not None}
    if not limited:
        return watches
    rang = count_rings(session, limited, now - WEEK)
    return [replace(each, told_this_week=rang.get(each.address_id, 0)) for each in watches]


@dataclass(frozen=True, slots=True)
class BlockTask:
    """Some addresses to look at in another process."""

    due: tuple[DueReview, ...]
    now: datetime
    wall: datetime
    cycle: timedelta
    invented: bool


def plan_apart(worker: WorkerState, task: BlockTask) -> BlockPlan:
    """As `BlockPlanner.plan`, in a process of the pool."""
    with worker.sessions() as session:
        key = "planner", task.now, task.cycle, task.invented
        if key not in worker.kept:
            worker.kept.clear()
            context = AlertContext(
                task.now, task.wall, MessageNotes(task.now, worker.ephemeris), task.invented
            )
            shared = SharedInputs(task.now, calibrations.in_use(session))
            worker.kept[key] = BlockPlanner(shared, context, task.cycle)
        planner: BlockPlanner = worker.kept[key]
        found = planner.plan(session, task.due)
        planner.shared.trim()
        return found


@dataclass(frozen=True, slots=True)
class BlockPlanner:
    """Looks at all that is due. cycle: time to the next run; shared: what all who ask the same share."""

    shared: SharedInputs
    context: AlertContext
    cycle: timedelta

    @property
    def now(self) -> datetime:
        return self.context.now

    def plan(self, session: Session, due: Sequence[DueReview]) -> BlockPlan:
        """What these addresses, whole ones, are due."""
        snapshot = read_snapshot(session, due, self.now)
        self.shared.stock(session, set(snapshot.revisions))
        looks = list(self._looks(snapshot))
        news = [number for number, each in enumerate(looks) if each.is_news and not _is_mute(each)]
        place = {number: place for place, number in enumerate(news)}
        watched = [each for each in snapshot.watches if not each.owed_only]
        return BlockPlan(
            snapshot,
            write_decisions.draft([looks[number] for number in news], self.now),
            [each.before.decision_id for each in looks if each.before is not None and not each.is_news],
            [(place[each.number], each) for each in block_alerts.plan_alerts(session, self.context, looks)],
            self._noted(watched, looks),
            [each.subscription_id for each in watched if each.wishes.is_over_after(self._tonight(each))],
        )

    def _looks(self, snapshot: InputSnapshot) -> Iterator[Review]:
        """A night that one of an address's subscriptions is due to look at, all of them that are due look at:
        they share a message."""
        watched = [(watch, self._nights(watch)) for watch in snapshot.watches]
        awake: defaultdict[int, set[date]] = defaultdict(set)
        for watch, nights in watched:
            awake[watch.address_id].update(each.name for each in nights if each.name not in watch.resting)
        for watch, nights in watched:
            chosen = awake[watch.address_id]
            yield from self._look(watch, [each for each in nights if each.name in chosen], snapshot)

    def _look(
        self, watch: SubscriptionState, nights: Sequence[LazyNight], snapshot: InputSnapshot
    ) -> Iterator[Review]:
        """These nights of one subscription; of one that is paused or ended those alone that were told of."""
        site, known = self.shared.site(watch.site_id), watch.known
        keys = [key for key, _ in known.skies]
        for night in nights:
            key = (watch.subscription_id, night.name)
            if watch.owed_only and key not in snapshot.history:
                continue
            judged = site.judge(night.name, keys, watch.wishes)
            told = snapshot.history.get(key, [])
            yield review_night(
                watch, site, judged, snapshot.before.get(key), told, now=self.now, cycle=self.cycle
            )

    def _nights(self, watch: SubscriptionState) -> list[LazyNight]:
        """Tonight and as many nights as the person wants to hear of."""
        site, keys = self.shared.site(watch.site_id), [key for key, _ in watch.known.skies]
        last = self._tonight(watch) + timedelta(days=watch.wishes.days_ahead)
        return [night for night in site.coming(keys, self.now) if night.name <= last]

    def _tonight(self, watch: SubscriptionState) -> date:
        return name_at(self.shared.site(watch.site_id).stored.site, self.now)

    def _noted(self, watched: Sequence[SubscriptionState], looks: Sequence[Review]) -> list[dict[str, Any]]:
        """When each is due for its next look: when time alone can change something, and when its next night
        comes into sight. Without a stored night there is nothing to wait for: the next cycle looks again."""
        moments = {each.subscription_id: dict(each.resting) for each in watched}
        for review in looks:
            mine = moments.setdefault(review.watch.subscription_id, {})
            mine[review.judged.night.name] = look_again_at([review.look_again_at], self.now)
        rows = []
        for watch in watched:
            site = self.shared.site(watch.site_id)
            is_known = any(site.nights.get(key) for key, _ in watch.known.skies)
            following = next_night_start(site.stored.site, self.now) if is_known else self.now
            mine = moments[watch.subscription_id]
            rows.append(
                {
                    "id": watch.subscription_id,
                    "judged_at": self.now,
                    "look_again_at": look_again_at([*mine.values(), following], self.now),
                    "nights_due": pack_nights_due(mine, self.now),
                }
            )
        return rows


def _is_mute(review: Review) -> bool:
    """A look for somebody who paused or ended, with nothing that is owed."""
    return review.watch.owed_only and review.telling.kind is not AlertKind.STAND_DOWN
