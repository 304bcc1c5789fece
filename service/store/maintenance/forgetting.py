"""What a busy installation lets go of: forecasts, and nights with all that was decided about them.

The track record has rows of its own (`record_row`, `outcome`, `judged_event`), so none of it is lost here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, delete, func, select
from sqlalchemy.orm import Session, sessionmaker

from service.store.schema.core_tables import (
    AlertRow,
    CycleRow,
    DecisionRow,
    FindingRow,
    ForecastRow,
    MessageAlertRow,
    NightRow,
    OutlookRow,
)
from service.store.schema.fleet_tables import CyclePartRow

BLOCK = 500
"""Rows, or nights with all that hangs on them, removed in one transaction, so that nobody waits long."""
CYCLES_KEPT = timedelta(days=30)

Sessions = sessionmaker[Session]


def forget_forecasts(sessions: Sessions, before: datetime) -> int:
    """Remove answers about hours before that; how many. Decisions made on them keep their numbers."""
    about = func.coalesce(ForecastRow.last_hour_ends, ForecastRow.fetched_at)
    count = 0
    for session, ids in _blocks(sessions, ForecastRow, about < before):
        session.execute(delete(ForecastRow).where(ForecastRow.id.in_(ids)))
        count += len(ids)
    return count


def forget_nights(sessions: Sessions, before: datetime) -> int:
    """Remove nights over before that, with their outlooks, decisions and alerts; how many nights.

    What a kept message carries stays: its alerts, their decisions, and those nights.
    """
    count = 0
    for session, ids in _blocks(sessions, NightRow, NightRow.ends < before):
        _forget_decisions(session, ids)
        session.execute(delete(OutlookRow).where(OutlookRow.night_id.in_(ids)))
        needed = select(DecisionRow.night_id).where(DecisionRow.night_id.in_(ids))
        gone = set(ids) - set(session.scalars(needed))
        session.execute(delete(NightRow).where(NightRow.id.in_(gone)))
        count += len(gone)
    return count


def _forget_decisions(session: Session, night_ids: Sequence[int]) -> None:
    """The decisions of these nights that no message tells of, with the findings that only they rest on."""
    decisions = DecisionRow
    of_nights = select(decisions.id).where(decisions.night_id.in_(night_ids))
    carried = select(MessageAlertRow.alert_id)
    session.execute(delete(AlertRow).where(AlertRow.decision_id.in_(of_nights), AlertRow.id.not_in(carried)))
    told = select(AlertRow.decision_id).where(AlertRow.decision_id.in_(of_nights))
    rows = session.execute(
        select(decisions.id, decisions.finding_id).where(
            decisions.night_id.in_(night_ids), decisions.id.not_in(told)
        )
    ).all()
    session.execute(delete(decisions).where(decisions.id.in_([row.id for row in rows])))
    findings = {row.finding_id for row in rows}
    used = select(decisions.finding_id).where(decisions.finding_id.in_(findings))
    session.execute(delete(FindingRow).where(FindingRow.id.in_(findings - set(session.scalars(used)))))


def forget_cycles(sessions: Sessions, now: datetime) -> int:
    """Remove cycles that began longer ago than they are kept, with their parts; the newest always stays."""
    with sessions() as session:
        newest = session.scalar(select(func.max(CycleRow.id))) or 0
    old = (CycleRow.started_at < now - CYCLES_KEPT) & (CycleRow.id < newest)
    count = 0
    for session, ids in _blocks(sessions, CycleRow, old):
        session.execute(delete(CyclePartRow).where(CyclePartRow.cycle_id.in_(ids)))
        session.execute(delete(CycleRow).where(CycleRow.id.in_(ids)))
        count += len(ids)
    return count


def _blocks(
    sessions: Sessions,
    kind: type[ForecastRow] | type[NightRow] | type[CycleRow],
    old: ColumnElement[bool],
) -> Iterator[tuple[Session, Sequence[int]]]:
    """Ids of old rows in their order, each block in a transaction that ends when the next is asked for."""
    last = 0
    while True:
        with sessions.begin() as session:
            query = select(kind.id).where(old, kind.id > last).order_by(kind.id).limit(BLOCK)
            ids = session.scalars(query).all()
            if not ids:
                return
            yield session, ids
        last = ids[-1]
