"""How clear the nights of each place were, and what that makes usual there."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from datetime import date, datetime

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from alerts.sites.model import Site
from alerts.track.record.climatology import UNKNOWN_CLIMATE, Climate
from service.store.engine import in_chunks
from service.store.repositories.forecasts import place_key, place_key_at
from service.store.schema.core_tables import SiteRevisionRow
from service.store.schema.track_tables import NightCloudRow


def note_night(session: Session, place: str, night: date, clear_share: float, now: datetime) -> bool:
    """Keep how clear a night was, where that isn't known yet; whether it wasn't.

    Feeds rewrite their past, so that what was noted first stays.
    """
    if session.get(NightCloudRow, (place, night)) is not None:
        return False
    session.add(
        NightCloudRow(place=place, night_name=night, month=night.month, clear_share=clear_share, noted_at=now)
    )
    session.flush()
    return True


def find_climates(
    session: Session, places: Collection[str], as_of: datetime, months: Collection[int] = range(1, 13)
) -> dict[str, Climate]:
    """What was known of these places before that moment, so that what was decided then is found again (a
    counter a month would forget what it was);
    places of which nothing is known are left out. months: those to read; a month's share needs its
    neighbours."""
    nights: defaultdict[str, dict[int, int]] = defaultdict(dict)
    clear: defaultdict[str, dict[int, float]] = defaultdict(dict)
    row = NightCloudRow
    for some in in_chunks(sorted(places)):
        query = (
            select(row.place, row.month, func.count(), func.sum(row.clear_share))
            .where(row.place.in_(some), row.month.in_(months), row.noted_at < as_of)
            .group_by(row.place, row.month)
        )
        for place, month, count, total in session.execute(query):
            nights[place][month], clear[place][month] = count, total
    return {place: Climate(nights[place], clear[place]) for place in nights}


def forget_places_of(session: Session, site_id: int) -> None:
    """Forget the nights of the places where a site has been, but for those where others are."""
    row = SiteRevisionRow
    mine: set[str] = set()
    others: set[str] = set()
    for each, lat_deg, lon_deg in session.execute(select(row.site_id, row.lat_deg, row.lon_deg)):
        (mine if each == site_id else others).add(place_key_at(lat_deg, lon_deg))
    session.execute(delete(NightCloudRow).where(NightCloudRow.place.in_(mine - others)))


def climate_at(session: Session, site: Site, as_of: datetime) -> Climate:
    """What was known of a site's place before that moment."""
    place = place_key(site)
    return find_climates(session, {place}, as_of).get(place, UNKNOWN_CLIMATE)
