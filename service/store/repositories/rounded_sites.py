"""The copies of sites that others than their owners see and are told about, see `alerts.judging.privacy`.

A copy is a site of its own, with its own nights, forecasts, decisions and record, so that whatever is worked
out for others knows of nothing else. It is made when somebody first needs it, and stays the same copy.
`seen_site` and `subscribe` choose between the two, and nobody else asks.

Hiding fields of what was judged at the place itself isn't enough: times lead there within metres, noise
averages out over many nights, and sixty of them give back what rounding to minutes took.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Select, and_, func, insert, or_, select, update
from sqlalchemy.orm import Session, aliased

from alerts.judging.privacy import shared_site
from alerts.sites.model import Site
from service.store.engine import in_chunks, insert_into
from service.store.json_values import from_json, to_json
from service.store.schema.core_tables import SiteRevisionRow, SiteRow, SubscriptionRow


def find_copy(session: Session, site_id: int) -> SiteRow | None:
    """The copy of that site; None where nobody else ever needed one."""
    return session.scalar(select(SiteRow).where(SiteRow.rounded_of_id == site_id))


def with_copy(site_id: int) -> Select[int]:
    """The ids of a site and of its copy, for what the operator asks of all who are told of it."""
    row = SiteRow
    return select(row.id).where(or_(row.id == site_id, row.rounded_of_id == site_id))


def need_copy(session: Session, row: SiteRow, now: datetime) -> SiteRow:
    """The copy of a site, made now where there is none."""
    return session.get_one(SiteRow, need_copies(session, [row], now)[row.id])


def need_copies(session: Session, rows: Sequence[SiteRow], now: datetime) -> dict[int, int]:
    """The copies of some sites, those that there are none of made now: their ids by that of the site."""
    copies = _copies_of(session, [row.id for row in rows])
    lacking = {row.id: row for row in rows if row.id not in copies}
    if not lacking:
        return copies
    session.execute(  # somebody else may make one meanwhile
        insert_into(session, SiteRow).on_conflict_do_nothing(index_elements=["rounded_of_id"]),
        [
            {
                "owner_id": row.owner_id,
                "name": row.name,
                "folded_name": row.name.casefold(),
                "is_shared": row.is_shared,
                "created_at": now,
                "archived_at": row.archived_at,
                "rounded_of_id": row.id,
            }
            for row in lacking.values()
        ],
    )
    made = _copies_of(session, lacking)
    exact, known = (_newest_facts(session, ids) for ids in (lacking, made.values()))
    descriptions = []
    for site_id, copy_id in made.items():
        if copy_id not in known:
            shared = shared_site(from_json(Site, exact[site_id]["site"]), None)
            descriptions.append(_description(copy_id, 1, shared, now))
    if descriptions:
        session.execute(insert(SiteRevisionRow), descriptions)
    return copies | made


def _copies_of(session: Session, site_ids: Iterable[int]) -> dict[int, int]:
    row, copies = SiteRow, dict[int, int]()
    for ids in in_chunks(list(site_ids)):
        found = session.execute(select(row.rounded_of_id, row.id).where(row.rounded_of_id.in_(ids)))
        copies.update((of, copy_id) for of, copy_id in found if of is not None)
    return copies


def _newest_facts(session: Session, site_ids: Iterable[int]) -> dict[int, dict[str, Any]]:
    """How these sites are described now; nothing of a copy that is only being made."""
    row, facts = SiteRevisionRow, dict[int, dict[str, Any]]()
    for ids in in_chunks(list(site_ids)):
        newest = select(func.max(row.id)).where(row.site_id.in_(ids)).group_by(row.site_id)
        found = session.execute(select(row.site_id, row.facts).where(row.id.in_(newest)))
        facts.update((site_id, said) for site_id, said in found)
    return facts


def follow(session: Session, row: SiteRow, now: datetime) -> SiteRow | None:
    """Have the copy, where there is one, say what is shared of the site's newest description."""
    copy = find_copy(session, row.id)
    if copy is not None:
        copy.name, copy.is_shared, copy.archived_at = row.name, row.is_shared, row.archived_at
        _describe(session, row, copy, now)
    return copy


def _describe(session: Session, row: SiteRow, copy: SiteRow, now: datetime) -> None:
    exact, known = newest_description(session, row.id), newest_description(session, copy.id)
    assert exact is not None, "every site is described"
    shared = shared_site(
        from_json(Site, exact.facts["site"]), from_json(Site, known.facts["site"]) if known else None
    )
    described = _description(copy.id, (known.revision if known else 0) + 1, shared, now)
    if known is None or known.facts != described["facts"]:
        session.add(SiteRevisionRow(**described))
    session.flush()


def _description(copy_id: int, revision: int, shared: Site, now: datetime) -> dict[str, Any]:
    """The row that describes a copy."""
    return {
        "site_id": copy_id,
        "revision": revision,
        "lat_deg": shared.lat_deg,
        "lon_deg": shared.lon_deg,
        "zone": shared.zone,
        "facts": {"site": to_json(shared), "elevation_known": False},
        "created_at": now,
    }


def newest_description(session: Session, site_id: int) -> SiteRevisionRow | None:
    """The site as it is described now; None for a copy that is only being made."""
    row = SiteRevisionRow
    return session.scalar(select(row).where(row.site_id == site_id).order_by(row.revision.desc()).limit(1))


def site_for(session: Session, person_id: int, row: SiteRow, now: datetime) -> SiteRow:
    """Which of a site and its copy that person is told about."""
    if row.owner_id == person_id:
        return row if row.rounded_of_id is None else session.get_one(SiteRow, row.rounded_of_id)
    return row if row.rounded_of_id is not None else need_copy(session, row, now)


def settle(session: Session, now: datetime) -> None:
    """Have every shared site its copy, its owner told about the site itself and others about the copy.
    Versions before had all of them at the site, and an address can be given to another person."""
    copy = aliased(SiteRow)
    lacking = (
        select(SiteRow)
        .outerjoin(copy, copy.rounded_of_id == SiteRow.id)
        .where(
            SiteRow.is_shared,
            SiteRow.rounded_of_id.is_(None),
            SiteRow.archived_at.is_(None),
            copy.id.is_(None),
        )
    )
    need_copies(session, session.scalars(lacking).all(), now)
    is_own = SubscriptionRow.person_id == SiteRow.owner_id
    strayed = (
        select(SubscriptionRow.id, SiteRow)
        .join(SiteRow, SiteRow.id == SubscriptionRow.site_id)
        .where(
            or_(
                and_(is_own, SiteRow.rounded_of_id.is_not(None)),
                and_(~is_own, SiteRow.rounded_of_id.is_(None)),
            )
        )
    )
    # who strayed to a copy owns the site, and who strayed to a site doesn't
    rows = session.execute(strayed).all()
    exact = {site.id: site for _, site in rows if site.rounded_of_id is None}
    copies = need_copies(session, list(exact.values()), now)
    moved = [
        {
            "id": subscription_id,
            "site_id": site.rounded_of_id or copies[site.id],
            "look_again_at": None,
            "nights_due": None,
        }
        for subscription_id, site in rows
    ]
    if moved:
        session.execute(update(SubscriptionRow), moved)
