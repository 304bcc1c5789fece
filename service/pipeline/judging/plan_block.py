"""What some addresses are due to be told and what is decided for them, as plain values to be written.

Nothing is written here, so it may be worked out in another process, from rows as they are at one moment. The
`InputSnapshot` says what rows those were: what was planned is written only while they are still the same.
"""

from __future__ import annotations

from collections import OrderedDict, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from alerts.judging.assess import look_ahead
from alerts.notifying.model import AlertKind
from alerts.notifying.next_review import AT_MOST, next_night_start
from alerts.sky.night import name_at
from alerts.track.calibration.model import Calibration
from service.pipeline.judging import block_alerts, write_decisions
from service.pipeline.judging.block_alerts import MessageNotes, PlannedAlert
from service.pipeline.judging.process_pool import WorkerState
from service.pipeline.judging.review import (
    InputSnapshot,
    Review,
    SubscriptionState,
    read_snapshot,
    review_night,
)
from service.pipeline.judging.site_inputs import SiteInputs, read_sites
from service.store.repositories import calibrations
from service.store.repositories.due_reviews import DueReview, pack_nights_due

MOST_SITES = 150
"""With some tens of kilobytes of weather each."""


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


@dataclass(frozen=True, slots=True)
class BlockTask:
    """Some addresses to look at in another process."""

    due: tuple[DueReview, ...]
    now: datetime
    cycle: timedelta
    invented: bool


def plan_apart(worker: WorkerState, task: BlockTask) -> BlockPlan:
    """As `BlockPlanner.plan`, in a process of the pool."""
    with worker.sessions() as session:
        key = "planner", task.now, task.cycle, task.invented
        if key not in worker.kept:
            worker.kept.clear()
            notes = MessageNotes(task.now, worker.ephemeris, task.invented)
            worker.kept[key] = BlockPlanner(task.now, task.cycle, calibrations.in_use(session), notes)
        planner: BlockPlanner = worker.kept[key]
        return planner.plan(session, task.due)


@dataclass(frozen=True, slots=True)
class BlockPlanner:
    """Looks at all that is due. cycle: time to the next run; notes: what messages say.

    sites: those at hand, the last ones asked for, with what all who ask the same of them share. Put away in
    that order, so that memory stays the same however many there are.
    """

    now: datetime
    cycle: timedelta
    calibration: Calibration
    notes: MessageNotes
    sites: OrderedDict[int, SiteInputs] = field(default_factory=OrderedDict)

    def plan(self, session: Session, due: Sequence[DueReview]) -> BlockPlan:
        """What these addresses, whole ones, are due."""
        snapshot = read_snapshot(session, due, self.now)
        wanted, sites = set(snapshot.revisions), self.sites
        for site_id in wanted & sites.keys():
            sites.move_to_end(site_id)
        while len(sites) > MOST_SITES:
            sites.popitem(last=False)
        sites.update(read_sites(session, wanted - sites.keys(), self.now, self.calibration))

        # what is seen of each night, and what is to be told of it
        tonight = {
            watch.subscription_id: name_at(self.sites[watch.site_id].stored.site, self.now)
            for watch in snapshot.watches
        }
        asked = [
            (watch, self.sites[watch.site_id].ask(name, watch.known))
            for watch, name in self._nights_of(snapshot, tonight)
        ]
        look_ahead((each.site.inputs, each.question, each.site.memo) for _, each in asked)
        looks = [
            review_night(snapshot, watch, each.site, each.site.judge(each), self.cycle)
            for watch, each in asked
        ]
        news = [
            number
            for number, each in enumerate(looks)
            # of somebody who paused or ended nothing but what is owed
            if each.is_news and (not each.watch.owed_only or each.telling.kind is AlertKind.STAND_DOWN)
        ]
        place = {number: place for place, number in enumerate(news)}
        return BlockPlan(
            snapshot,
            write_decisions.draft([looks[number] for number in news], self.now),
            [each.before.decision_id for each in looks if each.before is not None and not each.is_news],
            [(place[each.number], each) for each in block_alerts.plan_alerts(session, self.notes, looks)],
            self._noted(snapshot, looks),
            [
                each.subscription_id
                for each in snapshot.watches
                if not each.owed_only and each.known.wishes.is_over_after(tonight[each.subscription_id])
            ],
        )

    def _nights_of(
        self, snapshot: InputSnapshot, tonight: Mapping[int, date]
    ) -> list[tuple[SubscriptionState, date]]:
        """Tonight and as many nights as each person wants to hear of, that have a window ahead under any of
        their skies. A night that one of an address's subscriptions is due to look at, all of them that are
        due look at: they share a message. Of one that is paused or ended those alone that were told of."""
        coming = {}
        awake: defaultdict[int, set[date]] = defaultdict(set)
        for watch in snapshot.watches:
            last = tonight[watch.subscription_id] + timedelta(days=watch.known.wishes.days_ahead)
            stored = self.sites[watch.site_id].nights
            nights = [stored.get(key, {}) for key, _ in watch.known.skies]
            names = coming[watch.subscription_id] = [
                name
                for name in nights[0]
                if name <= last and any(some[name].is_ahead(self.now) for some in nights if name in some)
            ]
            awake[watch.address_id].update(name for name in names if name not in watch.resting)
        return [
            (watch, name)
            for watch in snapshot.watches
            for name in coming[watch.subscription_id]
            if name in awake[watch.address_id]
            and (not watch.owed_only or (watch.subscription_id, name) in snapshot.history)
        ]

    def _noted(self, snapshot: InputSnapshot, looks: Sequence[Review]) -> list[dict[str, Any]]:
        """When each is due for its next look: when time alone can change something, and when its next night
        comes into sight. Without a stored night there is nothing to wait for: the next cycle looks again."""
        now, watched = self.now, [each for each in snapshot.watches if not each.owed_only]
        latest = now + AT_MOST
        moments = {each.subscription_id: dict(each.resting) for each in watched}
        for review in looks:
            mine = moments.setdefault(review.watch.subscription_id, {})
            mine[review.judged.night.name] = min(review.look_again_at, latest)
        rows = []
        for watch in watched:
            site, mine = self.sites[watch.site_id], moments[watch.subscription_id]
            is_known = any(site.nights.get(key) for key, _ in watch.known.skies)
            following = next_night_start(site.stored.site, now) if is_known else now
            rows.append(
                {
                    "id": watch.subscription_id,
                    "judged_at": now,
                    "look_again_at": min([*mine.values(), following, latest]),
                    "nights_due": pack_nights_due(mine, now),
                }
            )
        return rows
