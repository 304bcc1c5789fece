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
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby, repeat

from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import say
from alerts.sky.ephemeris import Ephemeris
from service.common.fault_points import crash_point
from service.pipeline.judging import block_alerts, write_decisions
from service.pipeline.judging.block_alerts import AlertContext
from service.pipeline.judging.message_notes import MessageNotes
from service.pipeline.judging.plan_block import BlockPlan, BlockPlanner, BlockTask, plan_apart, read_snapshot
from service.pipeline.judging.process_pool import ProcessPool
from service.pipeline.judging.shared_inputs import SharedInputs
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
    shared = SharedInputs(now, calibration)
    context = AlertContext(now, wall, MessageNotes(now, judging.ephemeris), judging.invented)
    planner = BlockPlanner(shared, context, judging.cycle)
    counts: Counter[str] = Counter()
    blocks = [tuple(some) for some in _blocks(due)]
    tasks = (BlockTask(some, now, wall, judging.cycle, judging.invented) for some in blocks)
    pool = judging.pool if len(due) >= WORTH_A_POOL else None
    ahead = pool.each(plan_apart, tasks) if pool is not None else repeat(None)
    for some, plan in zip(blocks, ahead, strict=False):
        block = _Block(planner, some, plan)
        counts.update(in_transaction(judging.sessions, block.judge))
        crash_point("judge.committed")
        shared.trim()
    return dict(counts)


def _blocks(due: Sequence[DueReview]) -> Iterator[list[DueReview]]:
    """Whole addresses together, those with sites near each other in the store one after the other, so that
    each site is read once."""
    addresses = [list(group) for _, group in groupby(due, key=lambda each: each.address_id)]
    addresses.sort(key=lambda group: min(each.site_id for each in group))
    block: list[DueReview] = []
    for group in addresses:
        block += group
        if len(block) >= SUBSCRIPTIONS_AT_ONCE:
            yield block
            block = []
    if block:
        yield block


@dataclass(frozen=True, slots=True)
class _Block:
    """Some addresses, judged in one transaction."""

    planner: BlockPlanner
    due: tuple[DueReview, ...]
    plan: BlockPlan | None

    def judge(self, session: Session) -> dict[str, int]:
        """Decide and tell for these addresses; each one's alerts of this cycle share one message."""
        found = self._still_right(session) or self.planner.plan(session, self.due)
        now = self.planner.now
        ids = write_decisions.keep(session, found.drafts)
        decisions.confirm(session, found.held, now)
        crash_point("judge.decided")
        alerts = [(ids[place], planned) for place, planned in found.alerts]
        told = block_alerts.write_alerts(session, self.planner.context, alerts)
        _note_looked(session, found, now)
        crash_point("judge.told")
        counts = {"decided": len(ids), "confirmed": len(found.held)}
        return {name: count for name, count in counts.items() if count} | told

    def _still_right(self, session: Session) -> BlockPlan | None:
        """What was planned, if the rows are what it rests on."""
        plan = self.plan
        if plan is None or read_snapshot(session, self.due, self.planner.now) != plan.snapshot:
            return None
        return plan


def _note_looked(session: Session, found: BlockPlan, now: datetime) -> None:
    """When each is due for its next look; those whose trips all lie behind are ended."""
    note_reviews(session, found.noted)
    end_subscriptions(session, found.ended, now, say("pipeline.trips-are-over"))
