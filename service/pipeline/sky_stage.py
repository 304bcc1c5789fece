"""Stage 1: nights as rows, computed once per site revision and sky wishes, for many sites at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import repeat
from typing import Any

from sqlalchemy.orm import Session, sessionmaker

from alerts import RULES_VERSION
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes, name_at
from alerts.sky.nights.night_builder import nights_for_sites, readable_nights
from service.common.fault_points import crash_point
from service.pipeline.judging.process_pool import ProcessPool, WorkerState
from service.store.engine import in_chunks
from service.store.repositories import nights, rounded_sites
from service.store.repositories.due_reviews import sky_wants
from service.store.repositories.sites import StoredSite, newest_revisions
from service.store.repositories.subscriptions import look_again

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
    """Nights of one site and sky that must lie in the store: `count` from the one named `first` on.

    is_mended: the store has them as an earlier version of the rules made them.
    """

    stored: StoredSite
    sky_key: str
    sky: SkyWishes
    first: date
    count: int
    is_mended: bool


def run(
    sessions: sessionmaker[Session], ephemeris: Ephemeris, now: datetime, pool: ProcessPool | None = None
) -> int:
    """Compute and keep the nights that are needed and not there, some hundred sites to a transaction; how
    many. Nothing is computed while one is open. pool: other processes that share the work where there is
    much."""
    with sessions.begin() as session:
        rounded_sites.settle(session, now)
    with sessions() as session:
        needs = find_needs(session, now)

    # those that ask for the same nights under the same sky are worked out in one pass
    alike: defaultdict[tuple[SkyWishes, date, int], list[NightsNeed]] = defaultdict(list)
    for need in needs:
        alike[need.sky, need.first, need.count].append(need)
    batches = [tuple(some) for group in alike.values() for some in in_chunks(group, SITES_AT_ONCE)]
    much = sum(need.count for need in needs) >= WORTH_A_POOL
    ahead = pool.each(_rows_apart, [(some, now) for some in batches]) if pool and much else repeat(None)
    added = 0
    for some, rows in zip(batches, ahead, strict=False):
        made = _rows(some, ephemeris, now) if rows is None else rows
        with sessions.begin() as session:
            nights.keep_nights(session, made)
            # who was judged on nights that other rules made is looked at again in this cycle
            look_again(session, {need.stored.site_id for need in some if need.is_mended})
        added += len(made)
        crash_point("sky.kept")
    return added


def find_needs(session: Session, now: datetime) -> list[NightsNeed]:
    """What the active subscriptions need and the store lacks: first all that is judged, then, up to
    FURTHER_AT_ONCE nights, what the pages show beyond it."""
    wants = sky_wants(session, now)
    sites = newest_revisions(session, {site_id for site_id, _ in wants})
    have = nights.stored_runs(session, {stored.revision_id for stored in sites.values()}, now)
    earlier = {(revision_id, key.rpartition("|r")[0] or key) for revision_id, key in have}
    judged: list[NightsNeed] = []
    further: list[NightsNeed] = []
    for (site_id, key), want in wants.items():
        stored = sites[site_id]
        tonight = name_at(stored.site, now)
        known = have.get((stored.revision_id, key))
        first = tonight if known is None else known.first_missing(tonight)
        is_mended = known is None and (stored.revision_id, key.rpartition("|r")[0]) in earlier
        last = tonight + timedelta(days=want.days_ahead + SPARE_NIGHTS)
        need = NightsNeed(stored, key, want.sky, first, (last - first).days + 1, is_mended)
        if need.count > 0:
            judged.append(need)
            first = last + timedelta(days=1)
        shown = tonight + timedelta(days=NIGHTS_AHEAD - 1)
        if first <= shown:
            further.append(replace(need, first=first, count=(shown - first).days + 1))

    room = FURTHER_AT_ONCE
    for need in further:
        room -= need.count
        if room < 0:
            break
        judged.append(need)
    return judged


def _rows_apart(worker: WorkerState, task: tuple[tuple[NightsNeed, ...], datetime]) -> list[dict[str, Any]]:
    """As `_rows`, in another process."""
    needs, now = task
    return _rows(needs, worker.ephemeris, now)


def _rows(needs: Sequence[NightsNeed], ephemeris: Ephemeris, now: datetime) -> list[dict[str, Any]]:
    """The rows that keep the same nights under the same sky for some hundred sites."""
    one = needs[0]
    whole = nights_for_sites([need.stored.site for need in needs], one.first, one.count, one.sky, ephemeris)
    return [
        {
            "site_revision_id": needs[row].stored.revision_id,
            "name": night.name,
            "sky_key": needs[row].sky_key,
            "starts": night.span.start,
            "ends": night.span.end,
            "first_window_start": night.windows[0].span.start if night.windows else None,
            "last_window_end": night.windows[-1].span.end if night.windows else None,
            "facts": nights.pack_night(night),
            "kernel": ephemeris.kernel_name,
            "rules_version": RULES_VERSION,
            "computed_at": now,
        }
        for row, night in readable_nights(whole)
    ]
