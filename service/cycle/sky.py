"""Stage 1: nights as rows, computed once per site revision and sky wishes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts import RULES_VERSION
from alerts.night import Night, SkyWishes, name_at, nights
from alerts.sky.ephemeris import Ephemeris
from alerts.wishes import Wishes
from service.store import tables
from service.store.codec import from_json, to_json
from service.store.people import active_subscriptions
from service.store.sites import StoredSite, newest_revisions

NIGHTS_AHEAD = 16


@dataclass(frozen=True, slots=True)
class NightsNeed:
    """A site revision and sky wishes whose coming nights must lie in the store."""

    stored: StoredSite
    sky_key: str
    wishes: SkyWishes


def run(session: Session, ephemeris: Ephemeris, now: datetime) -> int:
    """Compute and keep the nights that subscriptions need and the store lacks; how many were added."""
    return sum(_fill(session, need, ephemeris, now) for need in find_needs(session, now))


def find_needs(session: Session, now: datetime) -> list[NightsNeed]:
    """Each distinct pair of site and sky wishes among the active subscriptions."""
    subscriptions = active_subscriptions(session, now)
    sites = newest_revisions(session, {each.site_id for each in subscriptions})
    needs: dict[tuple[int, str], NightsNeed] = {}
    for each in subscriptions:
        key = (each.site_id, each.sky_key)
        if key not in needs:
            wishes = from_json(Wishes, each.wishes).sky
            needs[key] = NightsNeed(sites[each.site_id], each.sky_key, wishes)
    return list(needs.values())


def _fill(session: Session, need: NightsNeed, ephemeris: Ephemeris, now: datetime) -> int:
    tonight = name_at(need.stored.site, now)
    wanted = [tonight + timedelta(days=i) for i in range(NIGHTS_AHEAD)]
    have = _names(session, need, wanted[0])
    missing = [name for name in wanted if name not in have]
    if not missing:
        return 0
    count = (missing[-1] - missing[0]).days + 1
    computed = nights(need.stored.site, missing[0], count, need.wishes, ephemeris)
    rows = [night_row(need, night, ephemeris, now) for night in computed if night.name not in have]
    session.add_all(rows)
    return len(rows)


def _names(session: Session, need: NightsNeed, first: date) -> set[date]:
    query = select(tables.Night.name).where(
        tables.Night.site_revision_id == need.stored.revision_id,
        tables.Night.sky_key == need.sky_key,
        tables.Night.name >= first,
    )
    return set(session.scalars(query))


def night_row(need: NightsNeed, night: Night, ephemeris: Ephemeris, now: datetime) -> tables.Night:
    """The row that keeps this night."""
    return tables.Night(
        site_revision_id=need.stored.revision_id,
        name=night.name,
        sky_key=need.sky_key,
        starts=night.span.start,
        ends=night.span.end,
        first_window_start=night.windows[0].span.start if night.windows else None,
        last_window_end=night.windows[-1].span.end if night.windows else None,
        facts=to_json(night),
        kernel=ephemeris.kernel_name,
        rules_version=RULES_VERSION,
        computed_at=now,
    )


def coming_nights(session: Session, revision_ids: Iterable[int], now: datetime) -> list[tables.Night]:
    """Nights not yet over at these site revisions, ascending."""
    query = (
        select(tables.Night)
        .where(tables.Night.site_revision_id.in_(set(revision_ids)), tables.Night.ends > now)
        .order_by(tables.Night.name)
    )
    return list(session.scalars(query))
