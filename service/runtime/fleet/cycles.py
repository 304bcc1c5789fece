"""A cycle over many processes: begun once a tick, stage after stage, each in parts, then finished.

Everything that moves a cycle on holds its row locked, so two processes that finish the last two parts of a
stage at the same moment don't both miss the next one, nor both begin it.
"""

from __future__ import annotations

import contextlib
import logging
from collections import Counter
from datetime import datetime, timedelta

from sqlalchemy import select, text
from sqlalchemy.dialects import postgresql
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.app import Duskbell
from service.common.clock import lies_ahead
from service.runtime.fleet import parts
from service.runtime.fleet.parts import Held
from service.runtime.fleet.queue import PART, Nudge, defer
from service.runtime.fleet.stages import find_stage, stages_after
from service.runtime.fleet.worker_sessions import PartSessions
from service.store.repositories import cycles
from service.store.schema import core_tables
from service.store.schema.fleet_tables import CyclePart

log = logging.getLogger(__name__)

GIVEN_UP_AFTER = timedelta(hours=2)
"""A cycle that isn't through by then is left behind, and the next one begins."""

NOTE_KEPT = 500


def begin(session: Session, moment: datetime, now: datetime) -> int | None:
    """Begin the cycle of that tick as of `now`; None when it was begun already, or the one before it is
    still under way. Its id."""
    newest = session.scalar(
        select(core_tables.Cycle).order_by(core_tables.Cycle.id.desc()).limit(1).with_for_update()
    )
    if newest is not None and _is_under_way(session, newest, now):
        log.warning("the cycle of %s is still under way; this tick is left out", newest.key)
        return None
    begun = (
        postgresql.insert(core_tables.Cycle)
        .values(key=cycles.key_of(session, _key(moment), now), as_of=now, started_at=now, counts={})
        .on_conflict_do_nothing(index_elements=["key"])
        .returning(core_tables.Cycle.id)
    )
    cycle_id = session.scalar(begun)
    if cycle_id is None:
        return None
    parts.leave_behind(session, cycle_id, now)
    _lay_out_next(session, cycle_id, None, now)
    return cycle_id


def _key(moment: datetime) -> str:
    """As in cycles of one process; ticks that come faster than that name the second too."""
    return cycles.cycle_key(moment) if moment.second == 0 else f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def _is_under_way(session: Session, cycle: core_tables.Cycle, now: datetime) -> bool:
    if cycle.finished_at is not None or now - cycle.started_at > GIVEN_UP_AFTER:
        return False
    if lies_ahead(cycle.started_at, now):
        return False  # nobody knows how long it has been under way
    newest = parts.newest_stage(session, cycle.id)
    return newest is not None and parts.count_open(session, cycle.id, newest[0]) > 0


def _lay_out_next(session: Session, cycle_id: int, after: str | None, now: datetime) -> None:
    """The next stage that has anything to do; without one the cycle is finished."""
    for stage in stages_after(after):
        opened = parts.open_parts(session, cycle_id, stage.queue, stage.lay_out(session, now), now)
        if opened:
            nudge_parts(session, stage.queue, opened)
            return
    cycles.finish(session, cycle_id, now, _sum_counts(session, cycle_id))


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


def _sum_counts(session: Session, cycle_id: int) -> dict[str, int]:
    counts: Counter[str] = Counter()
    for each in session.scalars(select(CyclePart.counts).where(CyclePart.cycle_id == cycle_id)):
        counts.update(each)
    return dict(counts)


def work_on(duskbell: Duskbell, stage_name: str, part_id: int) -> None:
    """Do one part; nothing when it is done or in other hands. LeaseLost when it was taken over meanwhile;
    what the stage raises gives the part back first."""
    stage = find_stage(stage_name)
    with duskbell.sessions.begin() as session:
        held = parts.take(session, part_id, duskbell.clock(), lease=stage.lease)
        if held is None:
            return
        as_of = session.get_one(core_tables.Cycle, held.cycle_id).as_of
    with contextlib.ExitStack() as failing:
        failing.push(lambda _type, error, _trace: _give_back(duskbell, held, error))
        counts = stage.work(duskbell, PartSessions(duskbell.sessions, held), held.ids, as_of)
        failing.pop_all()
    with duskbell.sessions.begin() as session:
        _finish(session, held, duskbell.clock(), counts)


def _give_back(duskbell: Duskbell, held: Held, error: BaseException | None) -> None:
    """Without a store to write that to, the lease runs out by itself."""
    with contextlib.suppress(parts.LeaseLost, DBAPIError), duskbell.sessions.begin() as session:
        parts.give_back(session, held, f"{type(error).__name__}: {error}"[:NOTE_KEPT])


def _finish(session: Session, held: Held, now: datetime, counts: dict[str, int]) -> None:
    """Record the part as done, and go on to the next stage after the last one."""
    session.scalars(
        select(core_tables.Cycle.id).where(core_tables.Cycle.id == held.cycle_id).with_for_update()
    ).one()
    parts.finish(session, held, now, counts)
    _go_on(session, held.cycle_id, held.stage, now)


def _go_on(session: Session, cycle_id: int, stage: str, now: datetime) -> None:
    newest = parts.newest_stage(session, cycle_id)
    if newest is not None and newest[0] == stage and not parts.count_open(session, cycle_id, stage):
        _lay_out_next(session, cycle_id, stage, now)


def look_after_parts(session: Session, now: datetime) -> int:
    """Put in again what lost its job, divide what fails again and again, and don't wait for ever for a
    stage with a budget; how many jobs were put in."""
    cycle = session.scalar(
        select(core_tables.Cycle).order_by(core_tables.Cycle.id.desc()).limit(1).with_for_update()
    )
    if cycle is None:
        return 0
    nudged = _nudge_idle(session, now)
    newest = parts.newest_stage(session, cycle.id)
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
    queued = _queued_parts(session)
    for part in parts.find_idle(session, now):
        if part.id in queued:
            continue
        again = [part.id]
        if part.attempts >= parts.TRIES_BEFORE_DIVIDING:
            again = parts.divide(session, part, now)
        nudged += nudge_parts(session, part.stage, again)
    return nudged


def _queued_parts(session: Session) -> set[int]:
    """Parts with a job that waits or runs; one whose process died is given back by another duty."""
    found = session.scalars(
        text(
            "SELECT args->>'part_id' FROM procrastinate_jobs "
            "WHERE task_name = :task AND status IN ('todo', 'doing')"
        ),
        {"task": PART},
    )
    return {int(part_id) for part_id in found}
