"""The stages of a cycle in blocks: what there is to do, and doing one block of it.

Blocks name sites (sky, refresh) or addresses (judge) by their ids. An address is judged as a whole, since
all its alerts of a cycle share one message.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session, sessionmaker

from service.app import Duskbell
from service.pipeline import judge_stage, refresh_stage, sky_stage, station_stage
from service.pipeline.judge_stage import Judging
from service.runtime.fleet.queue import JUDGE, REFRESH, SKY
from service.runtime.fleet.worker_sessions import limited_to
from service.store.repositories import cycle_parts
from service.store.repositories.cycle_parts import Ids
from service.store.repositories.due_reviews import NIGHTS_BACK, due_reviews, sites_by_place
from service.store.schema.core_tables import SubscriptionRow

SITES_IN_A_BLOCK = 250
SUBSCRIPTIONS_IN_A_BLOCK = judge_stage.SUBSCRIPTIONS_AT_ONCE
"""One transaction."""
FEEDS_LEASE = cycle_parts.LONGEST_LEASE
"""Feeds may be waited for between two transactions."""
FEEDS_BUDGET = timedelta(minutes=10)
"""Then it is judged with what has come; what comes later counts in the next cycle."""

Sessions = sessionmaker[Session]


@dataclass(frozen=True, slots=True)
class Stage:
    """queue: its name is the stage's.  lay_out: all blocks of a cycle as of `now`.  work: does one of them.
    budget: how long the next stage waits for this one; None means until it is done."""

    queue: str
    lay_out: Callable[[Session, datetime], Iterable[Ids]]
    work: Callable[[Duskbell, Sessions, Ids, datetime], dict[str, int]]
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


def _work_out_sky(duskbell: Duskbell, sessions: Sessions, ids: Ids, now: datetime) -> dict[str, int]:
    mine = limited_to(sessions, SubscriptionRow.site_id, ids)
    return {"nights": sky_stage.run(mine, duskbell.ephemeris, now)}


def _ask_feeds(duskbell: Duskbell, sessions: Sessions, ids: Ids, now: datetime) -> dict[str, int]:
    mine = limited_to(sessions, SubscriptionRow.site_id, ids)
    return refresh_stage.run(mine, duskbell.gather, now) | station_stage.run(mine, duskbell.observe, now)


def _judge(duskbell: Duskbell, sessions: Sessions, ids: Ids, now: datetime) -> dict[str, int]:
    judging = Judging(
        limited_to(sessions, SubscriptionRow.address_id, ids),
        timedelta(minutes=duskbell.settings.cycle_minutes),
        invented=duskbell.invented,
        ephemeris=duskbell.ephemeris,
    )
    return judge_stage.run(judging, now, duskbell.clock())


STAGES: Sequence[Stage] = (
    Stage(SKY, _sites, _work_out_sky),
    Stage(REFRESH, _sites, _ask_feeds, lease=FEEDS_LEASE, budget=FEEDS_BUDGET),
    Stage(JUDGE, _addresses, _judge),
)


def find_stage(name: str) -> Stage:
    """The stage of that name."""
    return next(stage for stage in STAGES if stage.queue == name)


def stages_after(name: str | None) -> Sequence[Stage]:
    """What still follows; all of them before the first (None)."""
    if name is None:
        return STAGES
    return STAGES[1 + STAGES.index(find_stage(name)) :]
