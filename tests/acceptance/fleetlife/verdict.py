"""What must hold in the end: looked up in the rows, and compared with what arrived."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session, sessionmaker

from service.pipeline import judge_stage
from service.pipeline.judge_stage import Judging
from service.store.maintenance.invariants import find_broken
from service.store.repositories.messages import UNSETTLED, Status
from service.store.schema.core_tables import (
    AlertRow,
    CyclePartRow,
    CycleRow,
    MessageAlertRow,
    MessageRow,
    SubscriptionRow,
)
from tests.acceptance.fleetlife.inbox import Inbox

LOOK_EVERY_S = 1.0
ROUNDS = 3
"""Cycles that begin and end after the last trouble, before the books are closed."""


def wait_until_quiet(sessions: sessionmaker[Session], within_s: float) -> float:
    """Until some cycles have begun and ended and nothing is on its way; how long that took."""
    began = time.monotonic()
    with sessions() as session:
        last = session.scalar(select(func.max(CycleRow.id))) or 0
    while time.monotonic() - began < within_s:
        with sessions() as session:
            if _finished_since(session, last) >= ROUNDS and not _on_its_way(session):
                return time.monotonic() - began
        time.sleep(LOOK_EVERY_S)
    raise TimeoutError(f"the fleet did not come to rest within {within_s:.0f} s")


def _finished_since(session: Session, cycle_id: int) -> int:
    query = select(func.count()).where(CycleRow.id > cycle_id, CycleRow.finished_at.is_not(None))
    return session.scalar(query) or 0


def _on_its_way(session: Session) -> int:
    messages = select(func.count()).where(MessageRow.status.in_(UNSETTLED))
    return session.scalar(messages) or 0


class Books:
    """Rows against arrivals."""

    def __init__(self, sessions: sessionmaker[Session], inbox: Inbox) -> None:
        self._sessions = sessions
        self._inbox = inbox

    def close(self) -> dict[str, Any]:
        """What the rows and the inbox say of each other.

        left_to_tell: alerts that a single process, looking once more at everything as of the last cycle,
        would still raise.  lost: messages said to be sent that never arrived.  untold: subscriptions of
        which nothing was told though every night is clear.  duplicates: arrivals beyond the first of a
        message.  duplicates_with_other_id: alerts that arrived in more than one message.
        """
        now = datetime.now(UTC)
        with self._sessions() as session:
            statuses = dict(
                session.execute(select(MessageRow.status, func.count()).group_by(MessageRow.status)).all()
            )
            return {
                "left_to_tell": self._left_to_tell(),
                "messages": statuses,
                "alerts": _count_alerts(session),
                "arrived": len(self._inbox.times),
                "lost": len(self._sent(session) - set(self._inbox.times)),
                "untold": len(self._untold(session)),
                "duplicates": sum(self._inbox.times.values()) - len(self._inbox.times),
                "duplicates_with_other_id": self._repeated(session),
                "p95_arrival_s": self._p95(session),
                "cycles": session.scalar(select(func.count()).select_from(CycleRow)),
                "open_parts": self._open_parts(session),
                "broken": find_broken(session, now=now, wall=now + timedelta(seconds=1)),
            }

    def _left_to_tell(self) -> int:
        with self._sessions.begin() as session:
            finished = select(func.max(CycleRow.as_of)).where(CycleRow.finished_at.is_not(None))
            as_of = session.scalars(finished).one() + timedelta(microseconds=1)
            session.execute(update(SubscriptionRow).values(look_again_at=None))
            before = _count_alerts(session)
        judging = Judging(self._sessions, timedelta(minutes=30), invented=True)
        judge_stage.run(judging, as_of, datetime.now(UTC))
        with self._sessions() as session:
            return _count_alerts(session) - before

    def _sent(self, session: Session) -> set[str]:
        return set(session.scalars(select(MessageRow.id).where(MessageRow.status == Status.SENT)))

    def _untold(self, session: Session) -> set[int]:
        told = select(AlertRow.subscription_id)
        return set(session.scalars(select(SubscriptionRow.id).where(SubscriptionRow.id.not_in(told))))

    def _repeated(self, session: Session) -> int:
        carried = session.execute(
            select(MessageAlertRow.alert_id, func.count())
            .where(MessageAlertRow.message_id.in_(list(self._inbox.times)))
            .group_by(MessageAlertRow.alert_id)
            .having(func.count() > 1)
        )
        return len(carried.all())

    def _p95(self, session: Session) -> float:
        """From the message's being written to its arrival, troubles included."""
        rows = session.execute(select(MessageRow.id, MessageRow.created_at))
        waits = sorted(
            self._inbox.first_at[message_id] - created_at.timestamp()
            for message_id, created_at in rows
            if message_id in self._inbox.first_at
        )
        return round(waits[int(0.95 * (len(waits) - 1))], 2) if waits else 0.0

    def _open_parts(self, session: Session) -> int:
        finished = select(CycleRow.id).where(CycleRow.finished_at.is_not(None))
        query = select(func.count()).where(
            CyclePartRow.done_at.is_(None), CyclePartRow.cycle_id.in_(finished)
        )
        return session.scalar(query) or 0


def _count_alerts(session: Session) -> int:
    return session.scalar(select(func.count()).select_from(AlertRow)) or 0
