"""Stage 3: rows of nights and forecasts -> outlooks and decisions, and what to tell of them.

Subscriptions whose nights are due for a look are judged in blocks of whole addresses. The decisions of a
block, its alerts and its messages are written in one transaction: a stored decision that calls for an alert
always has its message.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any

from sqlalchemy import Text, cast, select, update
from sqlalchemy.orm import Session, sessionmaker

from alerts.briefing.facts import AlertKind
from alerts.nextlook import look_again_at, next_night_start
from alerts.night import name_at
from alerts.sky.ephemeris import Ephemeris
from service.crashpoints import crash_point
from service.cycle import tell
from service.cycle.keeping import Keeper
from service.cycle.looking import Looked, Raised, Watch, look_at
from service.cycle.noting import Notebook
from service.cycle.shelf import Shelf, ShelfNight
from service.store import calibrations, decisions, tables
from service.store.decisions import Known, SubscriptionNight
from service.store.people import is_active
from service.store.retrying import in_transaction
from service.store.wanted import NIGHTS_BACK, DueLook, due_looks, known_wishes

SUBSCRIPTIONS_AT_ONCE = 500
"""In one transaction: long enough that commits cost little, short enough that nobody waits for it."""
ENDED_WITH_TRIPS = "all its trips lie behind"


@dataclass(frozen=True, slots=True)
class Judging:
    """What the stage needs. cycle: time to the next run. invented: mark all that is told. ephemeris: for
    the notes for the field; None leaves them out."""

    sessions: sessionmaker[Session]
    cycle: timedelta
    invented: bool = False
    ephemeris: Ephemeris | None = None


def run(judging: Judging, now: datetime, wall: datetime) -> dict[str, int]:
    """Judge the coming nights of every subscription that is due for a look; what was decided and told."""
    with judging.sessions() as session:
        due = due_looks(session, now)
        calibration = calibrations.in_use(session)
    shelf, notebook = Shelf(now, calibration), Notebook(now, judging.ephemeris)
    counts: Counter[str] = Counter()
    for some in _blocks(due):
        block = _Block(judging, shelf, tuple(some), Keeper(now), notebook, now, wall)
        counts.update(in_transaction(judging.sessions, block.judge))
        crash_point("judge.committed")
        block.keeper.remember()
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

    judging: Judging
    shelf: Shelf
    due: tuple[DueLook, ...]
    keeper: Keeper
    notebook: Notebook
    now: datetime
    wall: datetime

    def judge(self, session: Session) -> dict[str, int]:
        """Decide and tell for these addresses; each one's alerts of this cycle share one message."""
        watches = self._read_watches(session)
        self.shelf.stock(session, {watch.site_id for watch in watches})
        looks = list(self._looks(session, watches))
        news = [(number, each) for number, each in enumerate(looks) if each.is_news and not _is_mute(each)]
        ids = self.keeper.keep(session, [each for _, each in news])
        held = [each.before.decision_id for each in looks if each.before is not None and not each.is_news]
        decisions.confirm(session, held, self.now)
        crash_point("judge.decided")
        teller = tell.Teller(self.now, self.wall, self.notebook, self.judging.invented)
        numbers = (number for number, _ in news)
        told = tell.raise_alerts(session, teller, looks, dict(zip(numbers, ids, strict=True)))
        self._note_looked(session, watches, looks)
        crash_point("judge.told")
        counts = {"decided": len(ids), "confirmed": len(held)}
        return {name: count for name, count in counts.items() if count} | told

    def _read_watches(self, session: Session) -> list[Watch]:
        """The subscriptions as they are now: some may have been paused, ended or judged meanwhile."""
        owed = {each.subscription_id for each in self.due if each.owed_only}
        row = tables.Subscription
        mine = (
            select(
                row.id,
                row.address_id,
                row.site_id,
                row.judged_at,
                row.kit,
                cast(row.wishes, Text).label("text"),
            )
            .join(tables.Address, tables.Address.id == row.address_id)
            .join(tables.Site, tables.Site.id == row.site_id)
            .where(row.id.in_([each.subscription_id for each in self.due]))
            .order_by(row.id)
        )
        rows = session.execute(mine.with_for_update(of=row)).all()
        active = set(session.scalars(mine.with_only_columns(row.id).where(*is_active(self.now))))
        watches = [
            Watch(
                each.id,
                each.address_id,
                each.site_id,
                known_wishes(each.text),
                each.id not in active,
                kit=each.kit,
            )
            for each in rows
            if each.judged_at != self.now and (each.id in active or each.id in owed)
        ]
        return self._with_weeks(session, watches)

    def _with_weeks(self, session: Session, watches: list[Watch]) -> list[Watch]:
        """How often their addresses rang this week, where somebody asks for a limit."""
        limited = {each.address_id for each in watches if each.wishes.most_a_week is not None}
        if not limited:
            return watches
        rang = tell.told_this_week(session, limited, self.now)
        return [replace(each, told_this_week=rang.get(each.address_id, 0)) for each in watches]

    def _looks(self, session: Session, watches: Sequence[Watch]) -> Iterator[Looked]:
        ids = [watch.subscription_id for watch in watches]
        first = (self.now - NIGHTS_BACK).date()
        before = decisions.newest_known(session, ids, first)
        history = tell.read_history(session, ids, first)
        for watch in watches:
            yield from self._look(watch, before, history)

    def _look(
        self,
        watch: Watch,
        before: Mapping[SubscriptionNight, Known],
        history: Mapping[SubscriptionNight, list[Raised]],
    ) -> Iterator[Looked]:
        """Each night of one subscription; of one that is paused or ended those alone that were told of."""
        site, known = self.shelf.site(watch.site_id), watch.known
        asked = self.shelf.asked(known.judged, tuple(key for key, _ in known.skies))
        for night in self._nights(watch):
            key = (watch.subscription_id, night.name)
            if watch.owed_only and key not in history:
                continue
            judged = site.judge(night.name, asked, watch.wishes, self.now)
            told = history.get(key, [])
            cycle = self.judging.cycle
            yield look_at(watch, site, judged, before.get(key), told, now=self.now, cycle=cycle)

    def _nights(self, watch: Watch) -> list[ShelfNight]:
        """Tonight and as many nights as the person wants to hear of."""
        site, keys = self.shelf.site(watch.site_id), [key for key, _ in watch.known.skies]
        last = self._tonight(watch) + timedelta(days=watch.wishes.days_ahead)
        return [night for night in site.coming(keys, self.now) if night.name <= last]

    def _tonight(self, watch: Watch) -> date:
        return name_at(self.shelf.site(watch.site_id).stored.site, self.now)

    def _note_looked(self, session: Session, watches: Sequence[Watch], looks: Sequence[Looked]) -> None:
        """When each is due for its next look: when time alone can change something, and when its next night
        comes into sight. Those whose trips all lie behind are ended."""
        moments: dict[int, list[datetime]] = {each.subscription_id: [] for each in watches}
        for looked in looks:
            moments[looked.watch.subscription_id].append(looked.look_again_at)
        watched = [each for each in watches if not each.owed_only]
        rows = [self._noted(each, moments[each.subscription_id]) for each in watched]
        if rows:
            session.execute(update(tables.Subscription), rows)
        over = [each.subscription_id for each in watched if each.wishes.is_over_after(self._tonight(each))]
        if over:
            ending = update(tables.Subscription).where(tables.Subscription.id.in_(over))
            ended = ending.values(ended_at=self.now, ended_why=ENDED_WITH_TRIPS)
            session.execute(ended.execution_options(synchronize_session=False))

    def _noted(self, watch: Watch, moments: list[datetime]) -> dict[str, Any]:
        """Without a stored night there is nothing to wait for: the next cycle looks again."""
        site = self.shelf.site(watch.site_id)
        is_known = any(site.nights.get(key) for key, _ in watch.known.skies)
        following = next_night_start(site.stored.site, self.now) if is_known else self.now
        return {
            "id": watch.subscription_id,
            "judged_at": self.now,
            "look_again_at": look_again_at([*moments, following], self.now),
        }


def _is_mute(looked: Looked) -> bool:
    """A look for somebody who paused or ended, with nothing that is owed."""
    return looked.watch.owed_only and looked.telling.kind is not AlertKind.STAND_DOWN
