"""The copies of sites that others than their owners see and are told about, see `alerts.judging.privacy`.

A copy is a site of its own, with its own nights, forecasts, decisions and record, so that whatever is worked
out for others knows of nothing else. It is made when somebody first needs it, and stays the same copy.
`seen_site` and `subscribe` choose between the two, and nobody else asks.

Hiding fields of what was judged at the place itself isn't enough: times lead there within metres, noise
averages out over many nights, and sixty of them give back what rounding to minutes took.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime

from sqlalchemy import Select, and_, or_, select, update
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
    copy = find_copy(session, row.id)
    if copy is not None:
        return copy
    made: SiteRow | None = session.scalar(
        insert_into(session, SiteRow)
        .values(
            owner_id=row.owner_id,
            name=row.name,
            folded_name=row.name.casefold(),
            is_shared=row.is_shared,
            created_at=now,
            archived_at=row.archived_at,
            rounded_of_id=row.id,
        )
        .on_conflict_do_nothing(index_elements=["rounded_of_id"])
        .returning(SiteRow)
    )
    if made is None:  # somebody else made it meanwhile
        return session.scalars(select(SiteRow).where(SiteRow.rounded_of_id == row.id)).one()
    _describe(session, row, made, now)
    return made


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
    facts = {"site": to_json(shared), "elevation_known": False}
    if known is None or known.facts != facts:
        session.add(
            SiteRevisionRow(
                site_id=copy.id,
                revision=(known.revision if known else 0) + 1,
                lat_deg=shared.lat_deg,
                lon_deg=shared.lon_deg,
                zone=shared.zone,
                facts=facts,
                created_at=now,
            )
        )
    session.flush()


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
    for site in session.scalars(lacking).all():
        need_copy(session, site, now)
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
    # who strayed to a copy owns the site, and who strayed to a site doesn't: each site's go one way
    by_site: defaultdict[SiteRow, list[int]] = defaultdict(list)
    for subscription_id, site in session.execute(strayed):
        by_site[site].append(subscription_id)
    for site, strayed_ids in by_site.items():
        place_id = site.rounded_of_id or need_copy(session, site, now).id
        for ids in in_chunks(strayed_ids):
            session.execute(
                update(SubscriptionRow)
                .where(SubscriptionRow.id.in_(ids))
                .values(site_id=place_id, look_again_at=None, nights_due=None)
            )
