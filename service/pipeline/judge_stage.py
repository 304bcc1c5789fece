"""Stage 3: rows of nights and forecasts -> outlooks and decisions, and what to tell of them.

Subscriptions whose nights are due for a look are judged in blocks of whole addresses. The decisions of a
block, its alerts and its messages are written in one transaction: a stored decision that calls for an alert
always has its message.

Where much is due, other processes work out the blocks from the rows (crew.py), and this one writes them, each
in its transaction, if the rows that it rests on are still the same; else it works the block out itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby, repeat

from sqlalchemy import update
from sqlalchemy.orm import Session, sessionmaker

from alerts.sky.ephemeris import Ephemeris
from service.common.fault_points import crash_point
from service.common.retry import in_transaction
from service.pipeline.judging import block_alerts, write_decisions
from service.pipeline.judging.block_alerts import Teller
from service.pipeline.judging.message_notes import Notebook
from service.pipeline.judging.plan_block import Foreseen, Foresight, Task, foresee_apart, read_basis
from service.pipeline.judging.process_pool import Crew
from service.pipeline.judging.shared_inputs import Shelf
from service.store.repositories import calibrations, decisions
from service.store.repositories.due_reviews import DueLook, due_looks
from service.store.schema import core_tables

SUBSCRIPTIONS_AT_ONCE = 500
"""In one transaction: long enough that commits cost little, short enough that nobody waits for it."""
WORTH_A_CREW = 4 * SUBSCRIPTIONS_AT_ONCE
"""Other processes take a second to start; with less to do they wouldn't be quicker."""
ENDED_WITH_TRIPS = "all its trips lie behind"


@dataclass(frozen=True, slots=True)
class Judging:
    """What the stage needs. cycle: time to the next run. invented: mark all that is told. ephemeris: for
    the notes for the field; None leaves them out. crew: other processes to share the work with."""

    sessions: sessionmaker[Session]
    cycle: timedelta
    invented: bool = False
    ephemeris: Ephemeris | None = None
    crew: Crew | None = None


def run(judging: Judging, now: datetime, wall: datetime) -> dict[str, int]:
    """Judge the coming nights of every subscription that is due for a look; what was decided and told."""
    with judging.sessions() as session:
        due = due_looks(session, now)
        calibration = calibrations.in_use(session)
    shelf = Shelf(now, calibration)
    teller = Teller(now, wall, Notebook(now, judging.ephemeris), judging.invented)
    foresight = Foresight(shelf, teller, judging.cycle)
    counts: Counter[str] = Counter()
    blocks = [tuple(some) for some in _blocks(due)]
    tasks = (Task(some, now, wall, judging.cycle, judging.invented) for some in blocks)
    crew = judging.crew if len(due) >= WORTH_A_CREW else None
    ahead = crew.each(foresee_apart, tasks) if crew is not None else repeat(None)
    for some, foreseen in zip(blocks, ahead, strict=False):
        block = _Block(foresight, some, foreseen)
        counts.update(in_transaction(judging.sessions, block.judge))
        crash_point("judge.committed")
        shelf.trim()
    return dict(counts)


def _blocks(due: Sequence[DueLook]) -> Iterator[list[DueLook]]:
    """Whole addresses together, those with sites near each other in the store one after the other, so that
    each site is read once."""
    addresses = [list(group) for _, group in groupby(due, key=lambda each: each.address_id)]
    addresses.sort(key=lambda group: min(each.site_id for each in group))
    block: list[DueLook] = []
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

    foresight: Foresight
    due: tuple[DueLook, ...]
    foreseen: Foreseen | None

    def judge(self, session: Session) -> dict[str, int]:
        """Decide and tell for these addresses; each one's alerts of this cycle share one message."""
        found = self._still_right(session) or self.foresight.foresee(session, self.due)
        now = self.foresight.now
        ids = write_decisions.keep(session, found.drafts)
        decisions.confirm(session, found.held, now)
        crash_point("judge.decided")
        alerts = [(ids[place], planned) for place, planned in found.alerts]
        told = block_alerts.write_alerts(session, self.foresight.teller, alerts)
        _note_looked(session, found, now)
        crash_point("judge.told")
        counts = {"decided": len(ids), "confirmed": len(found.held)}
        return {name: count for name, count in counts.items() if count} | told

    def _still_right(self, session: Session) -> Foreseen | None:
        """What was foreseen, if the rows are what it rests on."""
        foreseen = self.foreseen
        if foreseen is None or read_basis(session, self.due, self.foresight.now) != foreseen.basis:
            return None
        return foreseen


def _note_looked(session: Session, found: Foreseen, now: datetime) -> None:
    """When each is due for its next look; those whose trips all lie behind are ended."""
    if found.noted:
        session.execute(update(core_tables.Subscription), found.noted)
    if found.ended:
        ending = update(core_tables.Subscription).where(core_tables.Subscription.id.in_(found.ended))
        ended = ending.values(ended_at=now, ended_why=ENDED_WITH_TRIPS)
        session.execute(ended.execution_options(synchronize_session=False))
