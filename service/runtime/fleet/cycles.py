"""A cycle over many processes: begun once a tick, stage after stage, each in parts, then finished.

Everything that moves a cycle on holds its row locked, so two processes that finish the last two parts of a
stage at the same moment don't both miss the next one, nor both begin it.
"""

from __future__ import annotations

import contextlib
import logging
from datetime import datetime, timedelta

from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.app import Duskbell
from service.common.clock import lies_ahead
from service.runtime.fleet.queue import PART, Nudge, defer
from service.runtime.fleet.stages import find_stage, stages_after
from service.runtime.fleet.worker_sessions import PartSessions
from service.store.repositories import cycle_parts, cycles
from service.store.repositories.cycle_parts import Held
from service.store.repositories.job_queue import queued_parts
from service.store.schema.core_tables import CycleRow

log = logging.getLogger(__name__)

GIVEN_UP_AFTER = timedelta(hours=2)
"""A cycle that isn't through by then is left behind, and the next one begins."""

NOTE_KEPT = 500


def begin(session: Session, moment: datetime, now: datetime) -> int | None:
    """Begin the cycle of that tick as of `now`; None when it was begun already, or the one before it is
    still under way. Its id."""
    newest = cycles.lock_newest(session)
    if newest is not None and _is_under_way(session, newest, now):
        log.warning("the cycle of %s is still under way; this tick is left out", newest.key)
        return None
    cycle_id = cycles.begin_once(session, _key(moment), now)
    if cycle_id is None:
        return None
    cycle_parts.leave_behind(session, cycle_id, now)
    _lay_out_next(session, cycle_id, None, now)
    return cycle_id


def _key(moment: datetime) -> str:
    """As in cycles of one process; ticks that come faster than that name the second too."""
    return cycles.cycle_key(moment) if moment.second == 0 else f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def _is_under_way(session: Session, cycle: CycleRow, now: datetime) -> bool:
    if cycle.finished_at is not None or now - cycle.started_at > GIVEN_UP_AFTER:
        return False
    if lies_ahead(cycle.started_at, now):
        return False  # nobody knows how long it has been under way
    newest = cycle_parts.newest_stage(session, cycle.id)
    return newest is not None and cycle_parts.count_open(session, cycle.id, newest[0]) > 0


def _lay_out_next(session: Session, cycle_id: int, after: str | None, now: datetime) -> None:
    """The next stage that has anything to do; without one the cycle is finished."""
    for stage in stages_after(after):
        opened = cycle_parts.open_parts(session, cycle_id, stage.queue, stage.lay_out(session, now), now)
        if opened:
            nudge_parts(session, stage.queue, opened)
            return
    cycles.finish(session, cycle_id, now, cycle_parts.sum_counts(session, cycle_id))


def nudge_parts(session: Session, stage: str, part_ids: list[int]) -> int:
    """Put in the jobs that work on these parts; how many weren't waiting already."""
    return defer(
        session,
        [
            Nudge(
                task=PART,
                queue=stage,
                args={"stage": stage, "part_id": part_id},
                queueing_lock=f"part {part_id}",
            )
            for part_id in part_ids
        ],
    )


def work_on(duskbell: Duskbell, stage_name: str, part_id: int) -> None:
    """Do one part; nothing when it is done or in other hands. LeaseLost when it was taken over meanwhile;
    what the stage raises gives the part back first."""
    stage = find_stage(stage_name)
    with duskbell.sessions.begin() as session:
        held = cycle_parts.take(session, part_id, duskbell.clock(), lease=stage.lease)
        if held is None:
            return
        as_of = session.get_one(CycleRow, held.cycle_id).as_of
    with contextlib.ExitStack() as failing:
        failing.push(lambda _type, error, _trace: _give_back(duskbell, held, error))
        counts = stage.work(duskbell, PartSessions(duskbell.sessions, held), held.ids, as_of)
        failing.pop_all()
    with duskbell.sessions.begin() as session:
        _finish(session, held, duskbell.clock(), counts)


def _give_back(duskbell: Duskbell, held: Held, error: BaseException | None) -> None:
    """Without a store to write that to, the lease runs out by itself."""
    with contextlib.suppress(cycle_parts.LeaseLost, DBAPIError), duskbell.sessions.begin() as session:
        cycle_parts.give_back(session, held, f"{type(error).__name__}: {error}"[:NOTE_KEPT])


def _finish(session: Session, held: Held, now: datetime, counts: dict[str, int]) -> None:
    """Record the part as done, and go on to the next stage after the last one."""
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
    nudged = _nudge_idle(session, now)
    newest = cycle_parts.newest_stage(session, cycle.id)
    if newest is None or cycle.finished_at is not None:
        return nudged
    stage, opened_at = newest
    budget = find_stage(stage).budget
    if budget is not None and now - opened_at > budget:
        log.warning("the %s stage takes longer than %s; going on without the rest of it", stage, budget)
        _lay_out_next(session, cycle.id, stage, now)
    else:
        _go_on(session, cycle.id, stage, now)
    return nudged


def _nudge_idle(session: Session, now: datetime) -> int:
    nudged = 0
    queued = queued_parts(session, PART)
    for part in cycle_parts.find_idle(session, now):
        if part.id in queued:
            continue
        again = [part.id]
        if part.attempts >= cycle_parts.TRIES_BEFORE_DIVIDING:
            again = cycle_parts.divide(session, part, now)
        nudged += nudge_parts(session, part.stage, again)
    return nudged
