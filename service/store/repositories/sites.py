"""Sites and their revisions."""

from __future__ import annotations

import difflib
import json
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import SQLColumnExpression, Text, cast, func, or_, select
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.sites.model import Site
from service.store.engine import in_chunks
from service.store.json_values import from_json, to_json
from service.store.repositories import rounded_sites
from service.store.repositories.people import UNKNOWN_ZONE
from service.store.repositories.subscriptions import estimate_drives, look_again, running_subscriptions
from service.store.schema.core_tables import PersonRow, SiteRevisionRow, SiteRow, SubscriptionRow


@dataclass(frozen=True, slots=True)
class StoredSite:
    """A site with the ids under which the store knows it."""

    site_id: int
    revision_id: int
    site: Site
    elevation_known: bool


@dataclass(frozen=True, slots=True)
class NewSite:
    """A place that somebody wants to keep."""

    site: Site
    elevation_known: bool
    is_shared: bool = False


def add_site(
    session: Session, owner: PersonRow, site: Site, *, elevation_known: bool, now: datetime
) -> SiteRow:
    """Keep a new site of that person; BadInput when one of theirs has the name."""
    return add_sites(session, owner, [NewSite(site, elevation_known)], now)[0]


def add_sites(session: Session, owner: PersonRow, wanted: Sequence[NewSite], now: datetime) -> list[SiteRow]:
    """Keep new sites of that person, all or none; BadInput when a name is taken or stands there twice.

    Somebody whose clock isn't known yet is taken to live by that of their first site.
    """
    taken = {row.name.casefold() for row in _named(session, [each.site.name for each in wanted], owner.id)}
    for each in wanted:
        if each.site.name.casefold() in taken:
            raise BadInput(phrase("store.site-name-taken", name=each.site.name))
        taken.add(each.site.name.casefold())
    if owner.zone == UNKNOWN_ZONE:
        any_site = select(SiteRow.id).where(SiteRow.owner_id == owner.id).limit(1)
        if session.scalar(any_site) is None:
            owner.zone = wanted[0].site.zone
    rows = [
        SiteRow(owner_id=owner.id, name=each.site.name, is_shared=False, created_at=now) for each in wanted
    ]
    session.add_all(rows)
    session.flush()
    session.add_all(
        _revision(row.id, 1, each.site, elevation_known=each.elevation_known, now=now)
        for row, each in zip(rows, wanted, strict=True)
    )
    session.flush()
    for row, each in zip(rows, wanted, strict=True):
        if each.is_shared:
            share_site(session, row, is_shared=True, now=now)
    return rows


def require_free_name(session: Session, owner_id: int, name: str, *, but: int | None = None) -> None:
    """BadInput when another site of that person, not the one with the id `but`, has the name."""
    if any(row.id != but for row in _named(session, [name], owner_id)):
        raise BadInput(phrase("store.site-name-taken", name=name))


def _named(session: Session, names: Iterable[str], owner_id: int | None = None) -> list[SiteRow]:
    """Sites in use that have one of the names, whatever its case; of one person, or of all; not their copies
    for others. By their ids.

    Rows without a folded name are few: those that a version before this column wrote beside this one.
    """
    folded = {name.casefold() for name in names}
    query = select(SiteRow).where(SiteRow.archived_at.is_(None), SiteRow.rounded_of_id.is_(None))
    if owner_id is not None:
        query = query.where(SiteRow.owner_id == owner_id)
    found = [
        row
        for part in in_chunks(sorted(folded))
        for row in session.scalars(query.where(SiteRow.folded_name.in_(part)))
    ]
    unfolded = session.scalars(query.where(SiteRow.folded_name.is_(None)))
    found += [row for row in unfolded if row.name.casefold() in folded]
    return sorted(found, key=lambda row: row.id)


def revise_site(
    session: Session, row: SiteRow, site: Site, *, elevation_known: bool, now: datetime
) -> SiteRevisionRow:
    """Describe a site anew; what was described before stays for the decisions made on it."""
    newest = session.scalar(
        select(func.max(SiteRevisionRow.revision)).where(SiteRevisionRow.site_id == row.id)
    )
    revision = _revision(row.id, (newest or 0) + 1, site, elevation_known=elevation_known, now=now)
    session.add(revision)
    session.flush()
    copy = rounded_sites.follow(session, row, now)
    described = [row.id] if copy is None else [row.id, copy.id]
    estimate_drives(session, running_subscriptions(session, site_ids=described))
    look_again(session, described)
    return revision


def _revision(
    site_id: int, number: int, site: Site, *, elevation_known: bool, now: datetime
) -> SiteRevisionRow:
    return SiteRevisionRow(
        site_id=site_id,
        revision=number,
        lat_deg=site.lat_deg,
        lon_deg=site.lon_deg,
        zone=site.zone,
        facts={"site": to_json(site), "elevation_known": elevation_known},
        created_at=now,
    )


def share_site(session: Session, row: SiteRow, *, is_shared: bool, now: datetime) -> None:
    """Let others see the site's copy and be told about it, or no longer."""
    row.is_shared = is_shared
    session.flush()
    if is_shared:
        rounded_sites.need_copy(session, row, now)
    rounded_sites.follow(session, row, now)


def find_sites(session: Session) -> list[SiteRow]:
    """All sites in use, by name; not their copies for others."""
    query = select(SiteRow).where(SiteRow.archived_at.is_(None), SiteRow.rounded_of_id.is_(None))
    return list(session.scalars(query.order_by(func.lower(SiteRow.name))))


def get_site(session: Session, name: str) -> SiteRow:
    """The site of that name, whatever its case, or of that number, written `#12`.

    Of several people's sites of one name the operator's counts. BadInput naming near ones when there is
    none, and naming the numbers when nobody can say which of several is meant.
    """
    found = _named(session, [name.strip()]) or _numbered(session, name.strip())
    sites = [] if found else find_sites(session)
    # a version before this one may have changed a name beside it, so a miss looks at all
    found = found or [row for row in sites if row.name.casefold() == name.strip().casefold()]
    own = [row for row in found if session.get_one(PersonRow, row.owner_id).is_operator]
    if len(found) == 1 or len(own) == 1:
        return (own or found)[0]
    if found:
        numbers = ", ".join(f"#{row.id}" for row in found)
        raise BadInput(phrase("store.site-of-several", name=name, numbers=numbers))
    if not sites:
        raise BadInput(phrase("store.no-sites"))
    near = difflib.get_close_matches(name, [row.name for row in sites], n=3, cutoff=0.4)
    known = " or ".join(repr(each) for each in near) or ", ".join(repr(row.name) for row in sites[:5])
    raise BadInput(phrase("store.no-site-named", name=name, known=known))


def _numbered(session: Session, text: str) -> list[SiteRow]:
    """The site in use that is written `#12`, if that is what the text is and there is one."""
    number = text.removeprefix("#")
    if number == text or not (number.isascii() and number.isdigit() and len(number) < 19):
        return []
    row = session.get(SiteRow, int(number))
    is_listed = row is not None and row.archived_at is None and row.rounded_of_id is None
    return [row] if row is not None and is_listed else []


def newest_revision(session: Session, site_id: int) -> StoredSite:
    """The site as it is described now."""
    row = session.scalars(
        select(SiteRevisionRow)
        .where(SiteRevisionRow.site_id == site_id)
        .order_by(SiteRevisionRow.revision.desc())
        .limit(1)
    ).one()
    return stored_site(row)


def newest_revisions(session: Session, site_ids: Collection[int]) -> dict[int, StoredSite]:
    """The sites as they are described now, by site id."""
    facts = SiteRevisionRow.id, cast(SiteRevisionRow.facts, Text)
    return {
        site_id: StoredSite(site_id, revision_id, *_described(text))
        for site_id, revision_id, text in _newest(session, site_ids, *facts)
    }


def _newest(session: Session, site_ids: Iterable[int], *columns: SQLColumnExpression[Any]) -> Iterator[Any]:
    """Each site's number, and these columns of its newest description."""
    row = SiteRevisionRow
    for ids in in_chunks(sorted(site_ids)):
        newest = select(func.max(row.id)).where(row.site_id.in_(ids)).group_by(row.site_id)
        yield from session.execute(select(row.site_id, *columns).where(row.id.in_(newest)))


@lru_cache(maxsize=20_000)
def _described(text: str) -> tuple[Site, bool]:
    """What the JSON text of a revision says; read once for all cycles of this process."""
    facts = json.loads(text)
    return from_json(Site, facts["site"]), bool(facts["elevation_known"])


def stored_site(row: SiteRevisionRow) -> StoredSite:
    return StoredSite(
        site_id=row.site_id,
        revision_id=row.id,
        site=from_json(Site, row.facts["site"]),
        elevation_known=bool(row.facts["elevation_known"]),
    )


def sites_shown_to(session: Session, person_id: int | None) -> list[SiteRow]:
    """A person's own sites and the copies of those they are told about; for a stranger (None) those of the
    shared ones. By name."""
    query = select(SiteRow).where(SiteRow.archived_at.is_(None)).order_by(SiteRow.name)
    is_copy = SiteRow.rounded_of_id.is_not(None)
    if person_id is None:
        return list(session.scalars(query.where(is_copy, SiteRow.is_shared)))
    told = select(SubscriptionRow.site_id).where(
        SubscriptionRow.person_id == person_id, SubscriptionRow.ended_at.is_(None)
    )
    mine = or_((SiteRow.owner_id == person_id) & ~is_copy, is_copy & SiteRow.id.in_(told))
    return list(session.scalars(query.where(mine)))


def described_sites(session: Session, owner_id: int | None = None) -> dict[int, str]:
    """Names of the sites in use that somebody described, by id; of one person or of all."""
    row = SiteRow
    query = select(row.id, row.name).where(row.archived_at.is_(None), row.rounded_of_id.is_(None))
    if owner_id is not None:
        query = query.where(row.owner_id == owner_id)
    return dict(session.execute(query.order_by(row.id)).all())


def places_now(session: Session, site_ids: Iterable[int]) -> dict[int, tuple[float, float]]:
    """Where these sites lie now, in degrees."""
    place = SiteRevisionRow.lat_deg, SiteRevisionRow.lon_deg
    return {site_id: (lat, lon) for site_id, lat, lon in _newest(session, site_ids, *place)}


def is_nothing_kept(session: Session) -> bool:
    """Whether there is no site and no subscription, ended ones included."""
    kept = (SiteRow, SubscriptionRow)
    return not any(session.scalar(select(kind.id).limit(1)) for kind in kept)


def newest_revision_ids(session: Session, site_ids: Iterable[int]) -> dict[int, int]:
    """The number of the newest description of each of these sites."""
    return dict(_newest(session, site_ids, SiteRevisionRow.id))


def owns_sites(session: Session, person_id: int) -> bool:
    """Whether somebody keeps a site here."""
    row = SiteRow
    kept = select(row.id).where(row.owner_id == person_id, row.archived_at.is_(None))
    return session.scalar(kept.limit(1)) is not None


def descriptions_of(session: Session, site_id: int) -> list[Site]:
    """The site as it was ever described."""
    row = SiteRevisionRow
    facts = session.scalars(select(row.facts).where(row.site_id == site_id))
    return [from_json(Site, each["site"]) for each in facts]
