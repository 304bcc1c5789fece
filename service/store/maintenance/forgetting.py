"""What a busy installation lets go of: forecasts, and nights with all that was decided about them.

The track record has rows of its own (`record_row`, `outcome`, `judged_event`), so none of it is lost here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, delete, func, select
from sqlalchemy.orm import Session, sessionmaker

from service.store.schema import core_tables
from service.store.schema.fleet_tables import CyclePart

BLOCK = 500
"""Rows, or nights with all that hangs on them, removed in one transaction, so that nobody waits long."""
CYCLES_KEPT = timedelta(days=30)

Sessions = sessionmaker[Session]


def forget_forecasts(sessions: Sessions, before: datetime) -> int:
    """Remove answers about hours before that; how many. Decisions made on them keep their numbers."""
    about = func.coalesce(core_tables.Forecast.last_hour_ends, core_tables.Forecast.fetched_at)
    count = 0
    for session, ids in _blocks(sessions, core_tables.Forecast, about < before):
        session.execute(delete(core_tables.Forecast).where(core_tables.Forecast.id.in_(ids)))
        count += len(ids)
    return count


def forget_nights(sessions: Sessions, before: datetime) -> int:
    """Remove nights over before that, with their outlooks, decisions and alerts; how many nights.

    What a kept message carries stays: its alerts, their decisions, and those nights.
    """
    count = 0
    for session, ids in _blocks(sessions, core_tables.Night, core_tables.Night.ends < before):
        _forget_decisions(session, ids)
        session.execute(delete(core_tables.Outlook).where(core_tables.Outlook.night_id.in_(ids)))
        needed = select(core_tables.Decision.night_id).where(core_tables.Decision.night_id.in_(ids))
        gone = set(ids) - set(session.scalars(needed))
        session.execute(delete(core_tables.Night).where(core_tables.Night.id.in_(gone)))
        count += len(gone)
    return count


def _forget_decisions(session: Session, night_ids: Sequence[int]) -> None:
    """The decisions of these nights that no message tells of, with the findings that only they rest on."""
    decisions = core_tables.Decision
    of_nights = select(decisions.id).where(decisions.night_id.in_(night_ids))
    carried = select(core_tables.MessageAlert.alert_id)
    session.execute(
        delete(core_tables.Alert).where(
            core_tables.Alert.decision_id.in_(of_nights), core_tables.Alert.id.not_in(carried)
        )
    )
    told = select(core_tables.Alert.decision_id).where(core_tables.Alert.decision_id.in_(of_nights))
    rows = session.execute(
        select(decisions.id, decisions.finding_id).where(
            decisions.night_id.in_(night_ids), decisions.id.not_in(told)
        )
    ).all()
    session.execute(delete(decisions).where(decisions.id.in_([row.id for row in rows])))
    findings = {row.finding_id for row in rows}
    used = select(decisions.finding_id).where(decisions.finding_id.in_(findings))
    session.execute(
        delete(core_tables.Finding).where(core_tables.Finding.id.in_(findings - set(session.scalars(used))))
    )


def forget_cycles(sessions: Sessions, now: datetime) -> int:
    """Remove cycles that began longer ago than they are kept, with their parts; the newest always stays."""
    with sessions() as session:
        newest = session.scalar(select(func.max(core_tables.Cycle.id))) or 0
    old = (core_tables.Cycle.started_at < now - CYCLES_KEPT) & (core_tables.Cycle.id < newest)
    count = 0
    for session, ids in _blocks(sessions, core_tables.Cycle, old):
        session.execute(delete(CyclePart).where(CyclePart.cycle_id.in_(ids)))
        session.execute(delete(core_tables.Cycle).where(core_tables.Cycle.id.in_(ids)))
        count += len(ids)
    return count


def _blocks(
    sessions: Sessions,
    kind: type[core_tables.Forecast] | type[core_tables.Night] | type[core_tables.Cycle],
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
