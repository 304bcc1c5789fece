"""Stage 1: nights as rows, computed once per site revision and sky wishes, for many sites at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import repeat
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session, sessionmaker

from alerts import RULES_VERSION
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night, SkyWishes
from alerts.sky.night_calendar import name_at
from alerts.sky.nights.night_builder import readable_nights
from alerts.sky.nights.night_events import nights_for_sites
from service.common.fault_points import crash_point
from service.pipeline.judging.process_pool import ProcessPool, WorkerState
from service.store.chunks import in_chunks
from service.store.repositories import rounded_sites
from service.store.repositories.due_reviews import SkyWant, sky_wants
from service.store.repositories.nights import pack_night
from service.store.repositories.sites import StoredSite, newest_revisions
from service.store.schema import core_tables

NIGHTS_AHEAD = 16
"""Kept for the pages; what is judged is worked out first."""
FURTHER_AT_ONCE = 5_000
"""Nights beyond those that are judged, in one cycle: a new large installation fills up over some hours."""
SITES_AT_ONCE = 250
WORTH_A_POOL = 5_000
"""Nights; with fewer to work out other processes wouldn't be quicker."""
SPARE_NIGHTS = 1
"""Nights beyond the last that is judged, so that the next evening is there before it begins."""


@dataclass(frozen=True, slots=True)
class NightsNeed:
    """Nights of one site and sky that must lie in the store: `count` from the one named `first` on."""

    stored: StoredSite
    sky_key: str
    sky: SkyWishes
    first: date
    count: int


def run(session: Session, ephemeris: Ephemeris, now: datetime) -> int:
    """Compute and keep, in this transaction, the nights that are needed and not there; how many."""
    rounded_sites.settle(session, now)
    return sum(_keep(session, rows) for rows in _rows(find_needs(session, now), ephemeris, now))


def run_in_blocks(
    sessions: sessionmaker[Session], ephemeris: Ephemeris, now: datetime, pool: ProcessPool | None = None
) -> int:
    """The same, some hundred sites to a transaction; nothing is computed while one is open. pool: other
    processes that share the work where there is much."""
    with sessions.begin() as session:
        rounded_sites.settle(session, now)
    with sessions() as session:
        needs = find_needs(session, now)
    added = 0
    much = sum(need.count for need in needs) >= WORTH_A_POOL
    for rows in _rows(needs, ephemeris, now, pool if much else None):
        with sessions.begin() as session:
            added += _keep(session, rows)
        crash_point("sky.kept")
    return added


def find_needs(session: Session, now: datetime) -> list[NightsNeed]:
    """What the active subscriptions need and the store lacks: first all that is judged, then, up to
    FURTHER_AT_ONCE nights, what the pages show beyond it."""
    wants = sky_wants(session, now)
    sites = newest_revisions(session, {site_id for site_id, _ in wants})
    have = _have(session, {stored.revision_id for stored in sites.values()}, now)
    judged: list[NightsNeed] = []
    further: list[NightsNeed] = []
    for (site_id, key), want in wants.items():
        stored = sites[site_id]
        tonight = name_at(stored.site, now)
        known = have.get((stored.revision_id, key))
        first = tonight if known is None else known.first_missing(tonight)
        needed = _need(stored, key, want, first, tonight + timedelta(days=want.days_ahead + SPARE_NIGHTS))
        judged += needed
        first = first + timedelta(days=needed[0].count) if needed else first
        further += _need(stored, key, want, first, tonight + timedelta(days=NIGHTS_AHEAD - 1))
    return judged + _up_to(further, FURTHER_AT_ONCE)


def _need(stored: StoredSite, key: str, want: SkyWant, first: date, last: date) -> list[NightsNeed]:
    count = (last - first).days + 1
    return [NightsNeed(stored, key, want.sky, first, count)] if count > 0 else []


def _up_to(needs: Iterable[NightsNeed], most: int) -> list[NightsNeed]:
    """As many as that many nights allow."""
    chosen = []
    for need in needs:
        most -= need.count
        if most < 0:
            break
        chosen.append(need)
    return chosen


@dataclass(frozen=True, slots=True)
class _Have:
    """The nights of one site and sky in the store that aren't over."""

    count: int
    first: date
    last: date

    def first_missing(self, tonight: date) -> date:
        """The night from which on they must be worked out; from tonight on where there is any hole."""
        whole = self.count == (self.last - self.first).days + 1
        return self.last + timedelta(days=1) if whole and self.first <= tonight <= self.last else tonight


def _have(session: Session, revision_ids: set[int], now: datetime) -> dict[tuple[int, str], _Have]:
    found: dict[tuple[int, str], _Have] = {}
    for ids in in_chunks(sorted(revision_ids)):
        query = (
            select(
                core_tables.Night.site_revision_id,
                core_tables.Night.sky_key,
                func.count(),
                func.min(core_tables.Night.name),
                func.max(core_tables.Night.name),
            )
            .where(core_tables.Night.site_revision_id.in_(ids), core_tables.Night.ends > now)
            .group_by(core_tables.Night.site_revision_id, core_tables.Night.sky_key)
        )
        for revision_id, key, count, first, last in session.execute(query):
            found[revision_id, key] = _Have(count, first, last)
    return found


@dataclass(frozen=True, slots=True)
class _Batch:
    """The same nights under the same sky for some hundred sites."""

    needs: tuple[NightsNeed, ...]
    now: datetime

    def rows(self, ephemeris: Ephemeris) -> list[dict[str, Any]]:
        one, sites = self.needs[0], [need.stored.site for need in self.needs]
        whole = nights_for_sites(sites, one.first, one.count, one.sky, ephemeris)
        return [
            _night_values(self.needs[row], night, ephemeris, self.now)
            for row, night in readable_nights(whole)
        ]


def _rows_apart(worker: WorkerState, batch: _Batch) -> list[dict[str, Any]]:
    return batch.rows(worker.ephemeris)


def _rows(
    needs: Sequence[NightsNeed], ephemeris: Ephemeris, now: datetime, pool: ProcessPool | None = None
) -> Iterator[list[dict[str, Any]]]:
    """The rows that keep these nights, those of some hundred sites at a time."""
    batches = list(_batches(needs, now))
    ahead = pool.each(_rows_apart, batches) if pool is not None else repeat(None)
    for batch, rows in zip(batches, ahead, strict=False):
        yield batch.rows(ephemeris) if rows is None else rows


def _batches(needs: Sequence[NightsNeed], now: datetime) -> Iterator[_Batch]:
    alike: defaultdict[tuple[SkyWishes, date, int], list[NightsNeed]] = defaultdict(list)
    for need in needs:
        alike[need.sky, need.first, need.count].append(need)
    for group in alike.values():
        for some in in_chunks(group, SITES_AT_ONCE):
            yield _Batch(tuple(some), now)


def _night_values(need: NightsNeed, night: Night, ephemeris: Ephemeris, now: datetime) -> dict[str, Any]:
    return {
        "site_revision_id": need.stored.revision_id,
        "name": night.name,
        "sky_key": need.sky_key,
        "starts": night.span.start,
        "ends": night.span.end,
        "first_window_start": night.windows[0].span.start if night.windows else None,
        "last_window_end": night.windows[-1].span.end if night.windows else None,
        "facts": pack_night(night),
        "kernel": ephemeris.kernel_name,
        "rules_version": RULES_VERSION,
        "computed_at": now,
    }


def _keep(session: Session, rows: list[dict[str, Any]]) -> int:
    """Write them; those that another process wrote meanwhile stay as they are."""
    dialect = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
    session.execute(dialect.insert(core_tables.Night).on_conflict_do_nothing(), rows)
    return len(rows)
