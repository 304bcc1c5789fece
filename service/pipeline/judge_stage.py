"""Stage 3: rows of nights and forecasts -> outlooks and decisions, and what to tell of them.

Subscriptions whose nights are due for a look are judged in blocks of whole addresses. The decisions of a
block, its alerts and its messages are written in one transaction: a stored decision that calls for an alert
always has its message. A stage of its own that tells could be left behind by a crash.

Where much is due, other processes work out the blocks from the rows (process_pool.py), and this one writes
them, each in its transaction, if the rows that it rests on are still the same; else it works the block out
itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from itertools import groupby, repeat

from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import say
from alerts.sky.ephemeris import Ephemeris
from service.common.fault_points import crash_point
from service.pipeline.judging import block_alerts, write_decisions
from service.pipeline.judging.block_alerts import MessageNotes
from service.pipeline.judging.plan_block import BlockPlan, BlockPlanner, BlockTask, plan_apart
from service.pipeline.judging.process_pool import ProcessPool
from service.pipeline.judging.review import read_snapshot
from service.store.engine import in_transaction
from service.store.repositories import calibrations, decisions
from service.store.repositories.due_reviews import DueReview, due_reviews, note_reviews
from service.store.repositories.subscriptions import end_subscriptions

SUBSCRIPTIONS_AT_ONCE = 500
"""In one transaction: long enough that commits cost little, short enough that nobody waits for it."""
WORTH_A_POOL = 4 * SUBSCRIPTIONS_AT_ONCE
"""Other processes take a second to start; with less to do they wouldn't be quicker."""


@dataclass(frozen=True, slots=True)
class Judging:
    """What the stage needs. cycle: time to the next run. invented: mark all that is told. ephemeris: for
    the notes for the field; None leaves them out. pool: other processes to share the work with."""

    sessions: sessionmaker[Session]
    cycle: timedelta
    invented: bool = False
    ephemeris: Ephemeris | None = None
    pool: ProcessPool | None = None


def run(judging: Judging, now: datetime, wall: datetime) -> dict[str, int]:
    """Judge the coming nights of every subscription that is due for a look; what was decided and told."""
    with judging.sessions() as session:
        due = due_reviews(session, now)
        calibration = calibrations.in_use(session)
    notes = MessageNotes(now, judging.ephemeris, judging.invented)
    planner = BlockPlanner(now, judging.cycle, calibration, notes)

    # whole addresses together, those with sites near each other in the store one after the other, so that
    # each site is read once
    addresses = [list(group) for _, group in groupby(due, key=lambda each: each.address_id)]
    addresses.sort(key=lambda group: min(each.site_id for each in group))
    blocks: list[list[DueReview]] = []
    for group in addresses:
        if not blocks or len(blocks[-1]) >= SUBSCRIPTIONS_AT_ONCE:
            blocks.append([])
        blocks[-1] += group

    counts: Counter[str] = Counter()
    tasks = (BlockTask(tuple(some), now, judging.cycle, judging.invented) for some in blocks)
    pool = judging.pool if len(due) >= WORTH_A_POOL else None
    ahead = pool.each(plan_apart, tasks) if pool is not None else repeat(None)
    for some, plan in zip(blocks, ahead, strict=False):
        judge = partial(judge_block, planner=planner, due=some, plan=plan, wall=wall)
        counts.update(in_transaction(judging.sessions, judge))
        crash_point("judge.committed")
    return dict(counts)


def judge_block(
    session: Session, planner: BlockPlanner, due: Sequence[DueReview], plan: BlockPlan | None, wall: datetime
) -> dict[str, int]:
    """Decide and tell for some addresses in one transaction; each one's alerts of this cycle share one
    message. plan: what another process made of them, which is written if the rows are what it rests on."""
    now = planner.now
    if plan is None or read_snapshot(session, due, now) != plan.snapshot:
        plan = planner.plan(session, due)
    ids = write_decisions.keep(session, plan.drafts)
    decisions.confirm(session, plan.held, now)
    crash_point("judge.decided")
    planned = [(ids[place], each) for place, each in plan.alerts]
    told = block_alerts.write_alerts(session, planned, now=now, wall=wall)
    note_reviews(session, plan.noted)
    end_subscriptions(session, plan.ended, now, say("pipeline.trips-are-over"))
    crash_point("judge.told")
    counts = {"decided": len(ids), "confirmed": len(plan.held)}
    return {name: count for name, count in counts.items() if count} | told
