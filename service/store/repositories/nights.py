"""Nights as the column `night.facts` keeps them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from datetime import date, datetime, timedelta

from pydantic import TypeAdapter
from sqlalchemy import LargeBinary, select, type_coerce
from sqlalchemy.orm import Session

from alerts.common.plain_values import value
from alerts.sky.night import Night
from service.store.chunks import in_chunks
from service.store.compressed_json import Packed, pack_json, unpack_json
from service.store.schema import core_tables

_NIGHT = TypeAdapter(Night)


def pack_night(night: Night) -> Packed:
    """The night as it is written."""
    return pack_json(_NIGHT.dump_json(night))


def unpack_night(data: bytes) -> Night:
    """The night that was written, from the column's bytes: quicker than by way of its JSON values."""
    return _NIGHT.validate_json(unpack_json(data))


def nights_by_id(session: Session, ids: Collection[int]) -> dict[int, Night]:
    """These nights by their number."""
    row = core_tables.Night
    query = select(row.id, type_coerce(row.facts, LargeBinary).label("packed"))
    return {
        each.id: unpack_night(each.packed)
        for part in in_chunks(sorted(ids))
        for each in session.execute(query.where(row.id.in_(part)))
    }


@value(frozen=True, slots=True)
class NightRow:
    """A stored night without what happens in it."""

    night_id: int
    name: date
    computed_at: datetime


def nights_ahead(
    session: Session, revision_ids: Collection[int], now: datetime, *, days: int
) -> defaultdict[tuple[int, str], list[NightRow]]:
    """The nights of the next days by site revision and sky wishes, in their order."""
    row = core_tables.Night
    query = (
        select(row.site_revision_id, row.sky_key, row.id, row.name, row.computed_at)
        .where(
            row.site_revision_id.in_(set(revision_ids)),
            row.ends > now,
            row.starts < now + timedelta(days=days),
        )
        .order_by(row.name)
    )
    found: defaultdict[tuple[int, str], list[NightRow]] = defaultdict(list)
    for revision_id, sky_key, night_id, name, computed_at in session.execute(query):
        found[revision_id, sky_key].append(NightRow(night_id, name, computed_at))
    return found


def night_ids(session: Session, revision_id: int, name: date, sky_keys: Collection[str]) -> dict[str, int]:
    """By sky wishes the numbers of a night at a site as it was described then."""
    row = core_tables.Night
    query = select(row.sky_key, row.id).where(
        row.site_revision_id == revision_id, row.name == name, row.sky_key.in_(sky_keys)
    )
    return dict(session.execute(query).all())
