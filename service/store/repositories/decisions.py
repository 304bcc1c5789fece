"""Decisions and the outlooks they rest on."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Select, Text, cast, exists, func, insert, or_, select, update
from sqlalchemy.orm import Session, aliased, lazyload

from alerts.common.plain_values import value
from alerts.weather.outlook import Outlook
from service.store.engine import in_chunks
from service.store.json_values import from_json
from service.store.repositories.rounded_sites import with_copy
from service.store.schema.core_tables import (
    DecisionRow,
    NightRow,
    OutlookRow,
    SiteRevisionRow,
    SiteRow,
    SubscriptionRow,
    Table,
    TellingRow,
    WishSnapshotRow,
)

SubscriptionNight = tuple[int, date]
NIGHT_AT_MOST = timedelta(hours=25)
"""From noon to noon, with the seconds by which the Sun's noons lie apart, and more."""


def _newest(*among: ColumnElement[bool]) -> Select[int]:
    """The number of the newest decision for each subscription and night."""
    row = DecisionRow
    return select(func.max(row.id)).where(*among).group_by(row.subscription_id, row.night_name)


def newest_verdicts(
    session: Session, wanted: Iterable[SubscriptionNight]
) -> dict[SubscriptionNight, tuple[str, int | None]]:
    """Verdict and chance of the newest decision for each subscription and night."""
    wanted, row = set(wanted), DecisionRow
    newest = _newest(
        row.subscription_id.in_({subscription_id for subscription_id, _ in wanted}),
        row.night_name.in_({night for _, night in wanted}),
    )
    columns = row.subscription_id, row.night_name, row.verdict, row.chance_pct
    found = session.execute(select(*columns).where(row.id.in_(newest)))
    return {(each[0], each[1]): (each[2], each[3]) for each in found}


def decisions_by_id(session: Session, ids: Iterable[int]) -> dict[int, DecisionRow]:
    """Those decisions with their reasons, each by its id."""
    query = select(DecisionRow).options(lazyload(DecisionRow.snapshot), lazyload(DecisionRow.telling))
    return {
        row.id: row
        for part in in_chunks(sorted(set(ids)))
        for row in session.scalars(query.where(DecisionRow.id.in_(part)))
    }


def newest_decision(session: Session, subscription_id: int, night_name: date) -> DecisionRow | None:
    """The newest decision for that subscription and night, or None when there is none."""
    query = _of_night(subscription_id, night_name)
    return session.scalar(query.order_by(DecisionRow.id.desc()).limit(1))


def find_decisions(session: Session, subscription_id: int, night_name: date) -> list[DecisionRow]:
    """All decisions for that subscription and night, oldest first."""
    return list(session.scalars(_of_night(subscription_id, night_name).order_by(DecisionRow.id)))


def _of_night(subscription_id: int, night_name: date) -> Select[DecisionRow]:
    row = DecisionRow
    return select(row).where(row.subscription_id == subscription_id, row.night_name == night_name)


@value(frozen=True, slots=True)
class LastDecision:
    """What the newest decision for a subscription and night says, as far as the next one compares with it."""

    decision_id: int
    night_id: int
    site_revision_id: int
    fingerprint: str
    told: str | None
    why: str
    rung: int
    rung_since: datetime | None


def last_decisions(
    session: Session, subscription_ids: Sequence[int], first: date
) -> dict[SubscriptionNight, LastDecision]:
    """The newest decisions from `first` on, for many subscriptions, in few columns."""
    found: dict[SubscriptionNight, LastDecision] = {}
    row = DecisionRow
    said: tuple[Any, ...] = row.id, row.night_id, row.site_revision_id, row.fingerprint, row.told, row.why
    for ids in in_chunks(subscription_ids):
        newest = _newest(row.subscription_id.in_(ids), row.night_name >= first)
        query = select(row.subscription_id, row.night_name, *said, row.rung, row.rung_since)
        for each in session.execute(query.where(row.id.in_(newest))):
            found[each[0], each[1]] = LastDecision(*each[2:])
    return found


def newest_standing(
    session: Session, revisions: Mapping[int, int], first: date
) -> dict[SubscriptionNight, LastDecision]:
    """The newest decisions from `first` on, those that are about the sites as they are described now.

    revisions: of each subscription the newest description of its site.
    """
    return {
        key: last
        for key, last in last_decisions(session, sorted(revisions), first).items()
        if last.site_revision_id == revisions[key[0]]
    }


def confirm(session: Session, decision_ids: Sequence[int], now: datetime) -> None:
    """Move the last confirmation of decisions that were reached again."""
    for ids in in_chunks(decision_ids):
        session.execute(
            update(DecisionRow)
            .where(DecisionRow.id.in_(ids))
            .values(confirmed_at=now)
            .execution_options(synchronize_session=False)
        )


def keep_rows(session: Session, table: type[Table], rows: Sequence[dict[str, Any]]) -> list[int]:
    """Write rows in bulk under ids taken beforehand, and give these in the same order: a database that gives
    them back itself writes row by row.

    Nobody else uses the ids: they are the sequence's, or, where writers wait for each other, after the last.
    """
    if not rows:
        return []
    name, count = table.__tablename__, len(rows)
    if session.get_bind().dialect.name == "postgresql":
        sequence = func.nextval(func.pg_get_serial_sequence(name, "id"))
        ids = list(session.scalars(select(sequence).select_from(func.generate_series(1, count))))
    else:
        last = session.scalar(select(func.max(table.__table__.c.id))) or 0
        ids = list(range(last + 1, last + 1 + count))
    values = [{"id": row_id, **row} for row_id, row in zip(ids, rows, strict=True)]
    session.execute(insert(table.metadata.tables[name]), values)
    return ids


def keep_shared(
    session: Session, table: type[WishSnapshotRow | TellingRow], wanted: Mapping[str, dict[str, Any]]
) -> dict[str, int]:
    """The ids of these rows, given by their digest in their other columns: known ones and new ones."""
    known: dict[str, int] = {}
    for digests in in_chunks(sorted(wanted)):
        query = select(table.digest, func.min(table.id)).where(table.digest.in_(digests))
        known |= {row[0]: row[1] for row in session.execute(query.group_by(table.digest))}
    missing = [digest for digest in wanted if digest not in known]
    rows = [{"digest": digest, **wanted[digest]} for digest in missing]
    return known | dict(zip(missing, keep_rows(session, table, rows), strict=True))


OutlookKey = tuple[int, int, int, str]
"""Night, window, minutes of the shortest window, and the digest of what it was made of."""


def keep_outlooks(session: Session, rows: Mapping[OutlookKey, dict[str, Any]]) -> dict[OutlookKey, int]:
    """The ids of these outlooks; those made of the same inputs before stay as they are."""
    known: dict[OutlookKey, int] = {}
    row = OutlookRow
    for night_ids in in_chunks(sorted({key[0] for key in rows})):
        columns = (row.night_id, row.window_index, row.shortest_minutes, row.inputs, row.id)
        for each in session.execute(select(*columns).where(row.night_id.in_(night_ids))):
            known[each.night_id, each.window_index, each.shortest_minutes, each.inputs] = each.id
    missing = [key for key in rows if key not in known]
    return known | dict(zip(missing, keep_rows(session, row, [rows[key] for key in missing]), strict=True))


@value(frozen=True, slots=True)
class DecisionSearch:
    """Decisions of sites whose name holds a text, of one night, of one verdict, older than the one of a
    number; "", None or 0 for any."""

    site: str = ""
    night: date | None = None
    verdict: str = ""
    before: int = 0


def search_decisions(
    session: Session, wanted: DecisionSearch, *, most: int
) -> list[tuple[DecisionRow, SubscriptionRow]]:
    """Such decisions, newest first, with their subscriptions; so many at most."""
    row, subscription = DecisionRow, SubscriptionRow
    query = (
        select(row, subscription)
        .join(subscription, subscription.id == row.subscription_id)
        .join(SiteRow, SiteRow.id == subscription.site_id)
        .order_by(row.id.desc())
        .limit(most)
    )
    if wanted.site:
        query = query.where(SiteRow.name.icontains(wanted.site, autoescape=True))
    if wanted.night:
        query = query.where(row.night_name == wanted.night)
    if wanted.verdict:
        query = query.where(row.verdict == wanted.verdict)
    if wanted.before:
        query = query.where(row.id < wanted.before)
    return [(decision, of) for decision, of in session.execute(query)]


@value(frozen=True, slots=True)
class VerdictChange:
    """A decision that says something else of a night than the one before it, or is the first."""

    decision_id: int
    subscription_id: int
    night_name: date
    verdict: str


def verdict_changes(session: Session, subscription_ids: Iterable[int], first: date) -> list[VerdictChange]:
    """Where the verdict on a night with a window changed, of these subscriptions and the nights from `first`
    on; oldest first. None from before others had copies of a site of their own."""
    row, subscription = DecisionRow, SubscriptionRow
    before = func.lag(row.verdict).over(partition_by=(row.subscription_id, row.night_name), order_by=row.id)
    changes: list[VerdictChange] = []
    for ids in in_chunks(sorted(subscription_ids)):
        judged = (
            select(row.id, row.subscription_id, row.night_name, row.verdict, before.label("before"))
            .join(subscription, subscription.id == row.subscription_id)
            .join(SiteRevisionRow, SiteRevisionRow.id == row.site_revision_id)
            .where(
                row.subscription_id.in_(ids),
                row.night_name >= first,
                SiteRevisionRow.site_id == subscription.site_id,
                row.window_start.is_not(None),
            )
            .subquery()
        )
        is_change = or_(judged.c.before.is_(None), judged.c.before != judged.c.verdict)
        columns = (judged.c.id, judged.c.subscription_id, judged.c.night_name, judged.c.verdict)
        changes += [VerdictChange(*each) for each in session.execute(select(*columns).where(is_change))]
    return sorted(changes, key=lambda each: each.decision_id)


def outlooks_by_id(session: Session, ids: Iterable[int]) -> dict[int, Outlook]:
    """These outlooks by their number."""
    row = OutlookRow
    return {
        each.id: from_json(Outlook, each.facts)
        for some in in_chunks(sorted(set(ids)))
        for each in session.scalars(select(row).where(row.id.in_(some)))
    }


def first_night_kept(session: Session, subscription_id: int) -> date | None:
    """The first night of which decisions are kept for a subscription; None where there are none."""
    row = DecisionRow
    return session.scalar(select(func.min(row.night_name)).where(row.subscription_id == subscription_id))


def decisions_between(
    session: Session, first: date, last: date, site_id: int | None = None
) -> list[tuple[DecisionRow, str]]:
    """The decisions on those nights with the names of their sites, by night, then subscription, then age; of
    one site and its copy, or of all."""
    row, subscription = DecisionRow, SubscriptionRow
    query = (
        select(row, SiteRow.name)
        .join(subscription, subscription.id == row.subscription_id)
        .join(SiteRow, SiteRow.id == subscription.site_id)
        .where(row.night_name.between(first, last))
        .order_by(row.night_name, row.subscription_id, row.id)
    )
    if site_id is not None:
        query = query.where(subscription.site_id.in_(with_copy(site_id)))
    return [(decision, name) for decision, name in session.execute(query)]


def ended_windows(session: Session, first: datetime, last: datetime) -> list[tuple[DecisionRow, int]]:
    """The newest decision of each subscription and night whose window ended in that time, with its site.

    Found by their nights: an index of the windows' ends would take a tenth of what a decision takes.
    """
    row, later = DecisionRow, aliased(DecisionRow)
    nights = select(NightRow.id).where(NightRow.ends.between(first, last + NIGHT_AT_MOST))
    is_followed = exists().where(
        later.subscription_id == row.subscription_id, later.night_name == row.night_name, later.id > row.id
    )
    query = (
        select(row, SubscriptionRow.site_id)
        .join(SubscriptionRow, SubscriptionRow.id == row.subscription_id)
        .where(row.night_id.in_(nights), row.window_end.between(first, last), ~is_followed)
        .order_by(row.id)
    )
    return [(decision, site_id) for decision, site_id in session.execute(query)]


@value(frozen=True, slots=True)
class PlacedDecision:
    """A decision with whose it is and where. wishes: the subscription's now, as a JSON text."""

    address_id: int
    site_name: str
    wishes: str
    lat_deg: float
    lon_deg: float
    decision: DecisionRow


def newest_with_places(
    session: Session, subscription_ids: Iterable[int], night_names: Collection[date]
) -> Iterator[PlacedDecision]:
    """The newest decisions of these subscriptions on these nights."""
    row = DecisionRow
    for ids in in_chunks(sorted(subscription_ids)):
        newest = _newest(row.subscription_id.in_(ids), row.night_name.in_(night_names))
        query = (
            select(
                SubscriptionRow.address_id,
                SiteRow.name,
                cast(SubscriptionRow.wishes, Text),
                SiteRevisionRow.lat_deg,
                SiteRevisionRow.lon_deg,
                row,
            )
            .join(SubscriptionRow, SubscriptionRow.id == row.subscription_id)
            .join(SiteRevisionRow, SiteRevisionRow.id == row.site_revision_id)
            .join(SiteRow, SiteRow.id == SubscriptionRow.site_id)
            .where(row.id.in_(newest))
        )
        for each in session.execute(query):
            yield PlacedDecision(*each)
