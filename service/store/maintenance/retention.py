"""How long rows are kept: mail and its attempts, and what a busy installation lets go of, forecasts and
nights with all that was decided about them.

The track record has rows of its own (`record_row`, `outcome`, `judged_event`), so none of it is lost here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, delete, func, or_, select
from sqlalchemy.orm import Session, sessionmaker

from service.store.maintenance.personal_data import delete_messages
from service.store.repositories import operator_alerts, rate_limits
from service.store.repositories.messages import UNSETTLED
from service.store.schema.core_tables import (
    AddressRow,
    AlertRow,
    AttemptRow,
    CyclePartRow,
    CycleRow,
    DecisionRow,
    FindingRow,
    ForecastRow,
    MessageAlertRow,
    MessageRow,
    NightRow,
    OutcomeRow,
    OutlookRow,
    PersonRow,
    SiteRow,
    SubscriptionRow,
)
from service.store.schema.delivery_tables import AskingRow, BounceRow, EndpointRow, TokenRow

LONGEST_EVENING = timedelta(days=2)
"""A night is over everywhere so long after its date began in UTC: noon of the day after, at 180° W."""
BLOCK = 500
"""Rows, or nights with all that hangs on them, removed in one transaction, so that nobody waits long."""
CYCLES_KEPT = timedelta(days=30)
TOKENS_KEPT = timedelta(days=30)
BOUNCES_KEPT = timedelta(days=365)
UNCONFIRMED_KEPT = timedelta(days=7)
"""An address that was typed into a page and never confirmed is forgotten after this."""
OLD_SECRETS_SIGN = timedelta(days=7)
"""How long a replaced signing secret still signs beside the new one."""

Sessions = sessionmaker[Session]


def prune(sessions: Sessions, now: datetime, *, attempts_days: int, messages_days: int) -> dict[str, int]:
    """Remove what is older than it is kept; how many rows of what."""
    tried_long_ago = AttemptRow.ended_at < now - timedelta(days=attempts_days)
    counts = {
        "attempts": _forget_rows(sessions, AttemptRow, tried_long_ago),
        "messages": _prune_messages(sessions, now - timedelta(days=messages_days)),
        "addresses": _prune_unconfirmed(sessions, now - UNCONFIRMED_KEPT),
    }
    with sessions.begin() as session:
        old = now - TOKENS_KEPT
        session.execute(delete(TokenRow).where(or_(TokenRow.expires_at < old, TokenRow.used_at < old)))
        session.execute(delete(BounceRow).where(BounceRow.seen_at < now - BOUNCES_KEPT))
        rate_limits.forget_full(session, now)
        operator_alerts.forget_old(session, now)
        replaced = session.scalars(
            select(AddressRow)
            .join(EndpointRow, EndpointRow.address_id == AddressRow.id)
            .where(EndpointRow.secret_changed_at < now - OLD_SECRETS_SIGN)
        )
        for row in replaced:
            row.secrets = row.secrets[:1]  # the old one signs no more
    return {name: count for name, count in counts.items() if count}


def _prune_messages(sessions: Sessions, before: datetime) -> int:
    """Settled messages with their alerts; an alert that another message carries stays."""
    count, settled = 0, MessageRow.status.not_in(UNSETTLED)
    for session, ids in _blocks(sessions, MessageRow, settled & (MessageRow.settled_at < before)):
        carried = select(MessageAlertRow.alert_id)
        alerts = session.scalars(carried.where(MessageAlertRow.message_id.in_(ids))).all()
        delete_messages(session, ids)
        session.execute(delete(AlertRow).where(AlertRow.id.in_(alerts), AlertRow.id.not_in(carried)))
        count += len(ids)
    return count


def _prune_unconfirmed(sessions: Sessions, before: datetime) -> int:
    """Addresses that strangers gave and never confirmed, with the subscriptions that waited for it."""
    with sessions.begin() as session:
        rows = session.scalars(
            select(AddressRow)
            .join(PersonRow, PersonRow.id == AddressRow.person_id)
            .where(
                AddressRow.confirmed_at.is_(None),
                AddressRow.off_since.is_(None),
                AddressRow.created_at < before,
                PersonRow.is_operator.is_(False),
            )
            .limit(BLOCK)
        ).all()
        forgotten = [address for address in rows if _forget(session, address)]
        for person_id in {address.person_id for address in forgotten}:
            _forget_person(session, person_id)
        session.execute(delete(AskingRow).where(AskingRow.last_at < before - BOUNCES_KEPT))
    return len(forgotten)


def _forget(session: Session, address: AddressRow) -> bool:
    """Remove the address unless a decision rests on one of its subscriptions."""
    mine = select(SubscriptionRow.id).where(SubscriptionRow.address_id == address.id)
    if session.scalar(select(DecisionRow.id).where(DecisionRow.subscription_id.in_(mine)).limit(1)):
        return False
    ids = session.scalars(select(MessageRow.id).where(MessageRow.address_id == address.id)).all()
    delete_messages(session, ids)
    session.execute(delete(SubscriptionRow).where(SubscriptionRow.address_id == address.id))
    session.execute(delete(TokenRow).where(TokenRow.address_id == address.id))
    session.execute(delete(EndpointRow).where(EndpointRow.address_id == address.id))
    session.delete(address)
    session.flush()
    return True


def _forget_person(session: Session, person_id: int) -> None:
    """Remove somebody of whom nothing else is stored."""
    for kind in (AddressRow, SubscriptionRow, TokenRow, OutcomeRow):
        if session.scalar(select(kind.id).where(kind.person_id == person_id).limit(1)):
            return
    if session.scalar(select(SiteRow.id).where(SiteRow.owner_id == person_id).limit(1)):
        return
    session.execute(delete(PersonRow).where(PersonRow.id == person_id))


def forget_forecasts(sessions: Sessions, before: datetime) -> int:
    """Remove answers about hours before that; how many. Decisions made on them keep their numbers."""
    about = func.coalesce(ForecastRow.last_hour_ends, ForecastRow.fetched_at)
    return _forget_rows(sessions, ForecastRow, about < before)


def _forget_rows(
    sessions: Sessions, kind: type[AttemptRow] | type[ForecastRow], old: ColumnElement[bool]
) -> int:
    count = 0
    for session, ids in _blocks(sessions, kind, old):
        session.execute(delete(kind).where(kind.id.in_(ids)))
        count += len(ids)
    return count


def forget_nights(sessions: Sessions, before: datetime) -> int:
    """Remove nights over before that, with their outlooks, decisions and alerts; how many nights.

    What a kept message carries stays: its alerts, their decisions, and those nights. Nights of one name go
    together, when the last of them is over: neighbouring sites share outlooks.
    """
    count = 0
    last = (before - LONGEST_EVENING).date()
    for session, ids in _blocks(sessions, NightRow, (NightRow.ends < before) & (NightRow.name <= last)):
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
    kind: type[AttemptRow] | type[MessageRow] | type[ForecastRow] | type[NightRow] | type[CycleRow],
    old: ColumnElement[bool],
) -> Iterator[tuple[Session, Sequence[Any]]]:
    """Ids of old rows in their order, each block in a transaction that ends when the next is asked for."""
    last: Any = None
    while True:
        with sessions.begin() as session:
            query = select(kind.id).where(old).order_by(kind.id).limit(BLOCK)
            query = query if last is None else query.where(kind.id > last)
            ids = session.scalars(query).all()
            if not ids:
                return
            yield session, ids
        last = ids[-1]
