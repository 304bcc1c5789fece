"""A cycle over many processes: begun once a tick, stage after stage, each in parts, then finished.

Everything that moves a cycle on holds its row locked, so two processes that finish the last two parts of a
stage at the same moment don't both miss the next one, nor both begin it.

Parts name sites (sky, refresh) or addresses (judge) by their ids. An address is judged as a whole, since all
its alerts of a cycle share one message.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from procrastinate.jobs import Job
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import InstrumentedAttribute, Session, sessionmaker

from service.app import Duskbell
from service.common.clock import lies_ahead
from service.pipeline import judge_stage, refresh_stage, sky_stage, station_stage
from service.pipeline.judge_stage import Judging
from service.runtime.fleet.worker_sessions import of_block, of_part
from service.store.repositories import cycle_parts, cycles
from service.store.repositories.cycle_parts import Ids
from service.store.repositories.due_reviews import NIGHTS_BACK, due_reviews, sites_by_place
from service.store.repositories.job_queue import JUDGE, PART, REFRESH, SKY, defer, queued_parts
from service.store.schema.core_tables import CycleRow, SubscriptionRow

log = logging.getLogger(__name__)

GIVEN_UP_AFTER = timedelta(hours=2)
"""A cycle that isn't through by then is left behind, and the next one begins."""

NOTE_KEPT = 500
SITES_IN_A_BLOCK = 250
SUBSCRIPTIONS_IN_A_BLOCK = judge_stage.SUBSCRIPTIONS_AT_ONCE
"""One transaction."""
FEEDS_LEASE = cycle_parts.LONGEST_LEASE
"""Feeds may be waited for between two transactions."""
FEEDS_BUDGET = timedelta(minutes=10)
"""Then it is judged with what has come; what comes later counts in the next cycle."""


@dataclass(frozen=True, slots=True)
class Stage:
    """queue: its name is the stage's.  lay_out: all blocks of a cycle as of `now`, of ids that subscriptions
    have in `by`.  work: does one of them, with sessions that see those subscriptions alone.
    budget: how long the next stage waits for this one; None means until it is done."""

    queue: str
    lay_out: Callable[[Session, datetime], Iterable[Ids]]
    by: InstrumentedAttribute[int]
    work: Callable[[Duskbell, sessionmaker[Session], datetime], dict[str, int]]
    lease: timedelta = cycle_parts.LEASE
    budget: timedelta | None = None


def _sites(session: Session, now: datetime) -> Iterator[Ids]:
    """By place, since near ones share what is asked of the feeds. Who ended lately may be owed a word."""
    ids = sites_by_place(session, now - NIGHTS_BACK)
    return _in_blocks(((site_id, 1) for site_id in ids), SITES_IN_A_BLOCK)


def _addresses(session: Session, now: datetime) -> Iterator[Ids]:
    """Those with a subscription that is due for a look, near sites together, so that few read the same."""
    due: dict[int, tuple[int, int]] = {}
    for look in due_reviews(session, now):
        site_id, count = due.get(look.address_id, (look.site_id, 0))
        due[look.address_id] = min(site_id, look.site_id), count + 1
    ordered = sorted(due, key=lambda address_id: due[address_id])
    return _in_blocks(((each, due[each][1]) for each in ordered), SUBSCRIPTIONS_IN_A_BLOCK)


def _in_blocks(weighed: Iterable[tuple[int, int]], weight: int) -> Iterator[Ids]:
    """Ids in their order, each block as soon as it weighs that much."""
    block: Ids = []
    weighs = 0
    for one, adds in weighed:
        block.append(one)
        weighs += adds
        if weighs >= weight:
            yield block
            block, weighs = [], 0
    if block:
        yield block


def _work_out_sky(duskbell: Duskbell, mine: sessionmaker[Session], now: datetime) -> dict[str, int]:
    return {"nights": sky_stage.run(mine, duskbell.ephemeris, now)}


def _ask_feeds(duskbell: Duskbell, mine: sessionmaker[Session], now: datetime) -> dict[str, int]:
    return refresh_stage.run(mine, duskbell.gather, now) | station_stage.run(mine, duskbell.observe, now)


def _judge(duskbell: Duskbell, mine: sessionmaker[Session], now: datetime) -> dict[str, int]:
    every = timedelta(minutes=duskbell.settings.cycle_minutes)
    judging = Judging(mine, every, invented=duskbell.invented, ephemeris=duskbell.ephemeris)
    return judge_stage.run(judging, now, duskbell.clock())


STAGES = {
    stage.queue: stage
    for stage in (
        Stage(SKY, _sites, SubscriptionRow.site_id, _work_out_sky),
        Stage(REFRESH, _sites, SubscriptionRow.site_id, _ask_feeds, lease=FEEDS_LEASE, budget=FEEDS_BUDGET),
        Stage(JUDGE, _addresses, SubscriptionRow.address_id, _judge),
    )
}
"""In their order."""


def begin(session: Session, moment: datetime, now: datetime) -> int | None:
    """Begin the cycle of that tick as of `now`; None when it was begun already, or the one before it is
    still under way. Its id."""
    newest = cycles.lock_newest(session)
    # of one that began ahead of the clock nobody knows how long it has been under way
    if (
        newest is not None
        and newest.finished_at is None
        and now - newest.started_at <= GIVEN_UP_AFTER
        and not lies_ahead(newest.started_at, now)
        and (stage := cycle_parts.newest_stage(session, newest.id)) is not None
        and cycle_parts.count_open(session, newest.id, stage[0])
    ):
        log.warning("the cycle of %s is still under way; this tick is left out", newest.key)
        return None
    # as in cycles of one process; ticks that come faster than that name the second too
    key = cycles.cycle_key(moment) if moment.second == 0 else f"{moment:%Y-%m-%dT%H:%M:%SZ}"
    cycle_id = cycles.begin_once(session, key, now)
    if cycle_id is None:
        return None
    cycle_parts.leave_behind(session, cycle_id, now)
    _lay_out_next(session, cycle_id, None, now)
    return cycle_id


def _lay_out_next(session: Session, cycle_id: int, after: str | None, now: datetime) -> None:
    """The next stage that has anything to do, from the first one on (after: None); without one the cycle is
    finished."""
    stages = list(STAGES.values())
    for stage in stages[1 + stages.index(STAGES[after]) if after else 0 :]:
        opened = cycle_parts.open_parts(session, cycle_id, stage.queue, stage.lay_out(session, now), now)
        if opened:
            nudge_parts(session, stage.queue, opened)
            return
    cycles.finish(session, cycle_id, now, cycle_parts.sum_counts(session, cycle_id))


def nudge_parts(session: Session, stage: str, part_ids: list[int]) -> int:
    """Put in the jobs that work on these parts; how many weren't waiting already."""
    jobs = [
        Job(
            id=None,
            queue=stage,
            lock=None,
            queueing_lock=f"part {part_id}",
            task_name=PART,
            task_kwargs={"stage": stage, "part_id": part_id},
        )
        for part_id in part_ids
    ]
    return defer(session, jobs)


def work_on(duskbell: Duskbell, stage_name: str, part_id: int) -> None:
    """Do one part; nothing when it is done or in other hands. LeaseLost when it was taken over meanwhile;
    what the stage raises gives the part back first."""
    stage = STAGES[stage_name]
    with duskbell.sessions.begin() as session:
        held = cycle_parts.take(session, part_id, duskbell.clock(), lease=stage.lease)
        if held is None:
            return
        as_of = session.get_one(CycleRow, held.cycle_id).as_of
    try:
        mine = of_block(of_part(duskbell.sessions, held), stage.by, held.ids)
        counts = stage.work(duskbell, mine, as_of)
    except BaseException as error:
        # without a store to write that to, the lease runs out by itself
        with contextlib.suppress(cycle_parts.LeaseLost, DBAPIError), duskbell.sessions.begin() as session:
            cycle_parts.give_back(session, held, f"{type(error).__name__}: {error}"[:NOTE_KEPT])
        raise
    with duskbell.sessions.begin() as session:
        now = duskbell.clock()
        cycles.lock_cycle(session, held.cycle_id)
        cycle_parts.finish(session, held, now, counts)
        _go_on(session, held.cycle_id, held.stage, now)


def _go_on(session: Session, cycle_id: int, stage: str, now: datetime) -> None:
    newest = cycle_parts.newest_stage(session, cycle_id)
    if newest is not None and newest[0] == stage and not cycle_parts.count_open(session, cycle_id, stage):
        _lay_out_next(session, cycle_id, stage, now)


def look_after_parts(session: Session, now: datetime) -> int:
    """Put in again what lost its job, divide what fails again and again, and don't wait for ever for a
    stage with a budget; how many jobs were put in."""
    cycle = cycles.lock_newest(session)
    if cycle is None:
        return 0
    nudged, queued = 0, queued_parts(session, PART)
    for part in cycle_parts.find_idle(session, now):
        if part.id not in queued:
            fails = part.attempts >= cycle_parts.TRIES_BEFORE_DIVIDING
            again = cycle_parts.divide(session, part, now) if fails else [part.id]
            nudged += nudge_parts(session, part.stage, again)
    newest = cycle_parts.newest_stage(session, cycle.id)
    if newest is None or cycle.finished_at is not None:
        return nudged
    stage, opened_at = newest
    budget = STAGES[stage].budget
    if budget is not None and now - opened_at > budget:
        log.warning("the %s stage takes longer than %s; going on without the rest of it", stage, budget)
        _lay_out_next(session, cycle.id, stage, now)
    else:
        _go_on(session, cycle.id, stage, now)
    return nudged
