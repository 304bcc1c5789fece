"""Stored nights, each under its site revision, its name and the key of its sky."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from pydantic import TypeAdapter
from sqlalchemy import LargeBinary, func, select, type_coerce
from sqlalchemy.orm import Session

from alerts import RULES_VERSION
from alerts.common.plain_values import value
from alerts.sky.night import Night, SkyWishes
from alerts.wishes.shared_sky import shared_sky
from service.store.column_types import Packed, RowWords, pack_json, unpack_json
from service.store.engine import in_chunks, insert_into
from service.store.schema.core_tables import NightRow

_NIGHT = TypeAdapter(Night)


def sky_key(wishes: SkyWishes) -> str:
    """One text for sky wishes that share their nights, quantised (see `shared_sky`)."""
    shared = shared_sky(wishes)
    target, lowest_deg = shared.target, shared.lowest_altitude_deg
    lowest = "auto" if lowest_deg is None else f"{lowest_deg:g}"
    named = hashlib.sha256(target.name.encode()).hexdigest()[:8] if target.name else ""
    place = (
        ""
        if target.ra_deg is None or target.dec_deg is None
        else f"{named}@{target.ra_deg:.2f}{target.dec_deg:+.2f}"
    )
    arc = "" if target.arc_l_deg is None else f"[{target.arc_l_deg[0]:g}-{target.arc_l_deg[1]:g}]"
    loss = shared.most_loss_mag
    moon = "moonless" if shared.moonless else "any-moon" if loss is None else f"loss{loss:g}"
    return f"{target.kind}{place}{arc}|{shared.darkness}|{moon}|{lowest}"


def night_key(wishes: SkyWishes) -> str:
    """The key that nights under these sky wishes are stored by: with the version of the rules that made
    them, so that after a mended rule they are made anew, and those that decisions rest on stay."""
    return versioned(sky_key(wishes))


def versioned(key: str, version: str = "") -> str:
    """The night key of a sky key; version: other rules than today's."""
    return f"{key}|r{version or RULES_VERSION}"


def pack_night(night: Night) -> Packed:
    """The night as it is written."""
    return pack_json(_NIGHT.dump_json(night), RowWords.NIGHTS)


def unpack_night(data: bytes) -> Night:
    """The night that was written, from the column's bytes: quicker than by way of its JSON values."""
    return _NIGHT.validate_json(unpack_json(data))


def nights_by_id(session: Session, ids: Collection[int]) -> dict[int, Night]:
    """These nights by their number."""
    row = NightRow
    query = select(row.id, type_coerce(row.facts, LargeBinary).label("packed"))
    return {
        each.id: unpack_night(each.packed)
        for part in in_chunks(sorted(ids))
        for each in session.execute(query.where(row.id.in_(part)))
    }


@value(frozen=True, slots=True)
class NightRef:
    """A stored night without what happens in it."""

    night_id: int
    name: date
    computed_at: datetime


def nights_ahead(
    session: Session, revision_ids: Collection[int], now: datetime, *, days: int
) -> defaultdict[tuple[int, str], list[NightRef]]:
    """The nights of the next days by site revision and sky wishes, in their order."""
    row = NightRow
    query = (
        select(row.site_revision_id, row.sky_key, row.id, row.name, row.computed_at)
        .where(
            row.site_revision_id.in_(set(revision_ids)),
            row.ends > now,
            row.starts < now + timedelta(days=days),
        )
        .order_by(row.name)
    )
    found: defaultdict[tuple[int, str], list[NightRef]] = defaultdict(list)
    for revision_id, sky_key, night_id, name, computed_at in session.execute(query):
        found[revision_id, sky_key].append(NightRef(night_id, name, computed_at))
    return found


def night_ids(session: Session, revision_id: int, name: date, sky_keys: Collection[str]) -> dict[str, int]:
    """By sky wishes the numbers of a night at a site as it was described then."""
    row = NightRow
    query = select(row.sky_key, row.id).where(
        row.site_revision_id == revision_id, row.name == name, row.sky_key.in_(sky_keys)
    )
    return dict(session.execute(query).all())


@dataclass(slots=True)
class StoredNight:
    """A stored night: whose sky it is, when it and its windows are; what happens in it is read when it is
    first asked for. night_id, kernel, packed: 0, "" and None where the times alone were read."""

    site_revision_id: int
    sky_key: str
    name: date
    starts: datetime
    first_window_start: datetime | None
    last_window_end: datetime | None
    night_id: int = 0
    kernel: str = ""
    packed: bytes | None = field(default=None, repr=False)
    _night: Night | None = field(default=None, init=False, repr=False)

    def is_ahead(self, now: datetime) -> bool:
        return self.last_window_end is None or self.last_window_end > now

    @property
    def night(self) -> Night:
        """The night as it was stored; ValueError for what another version wrote."""
        if self._night is None:
            assert self.packed is not None, "it was asked for without"
            self._night = unpack_night(self.packed)
        return self._night


_TIMES = (
    NightRow.site_revision_id,
    NightRow.sky_key,
    NightRow.name,
    NightRow.starts,
    NightRow.first_window_start,
    NightRow.last_window_end,
)
_STORED = (*_TIMES, NightRow.id, NightRow.kernel, type_coerce(NightRow.facts, LargeBinary))


def windows_ahead(
    session: Session,
    revision_ids: Collection[int],
    now: datetime,
    until: datetime | None = None,
    *,
    whole: bool = False,
) -> Iterator[StoredNight]:
    """Nights with a window that isn't over. until: those alone whose first window begins by then. whole: with
    what happens in them."""
    start = NightRow.first_window_start
    is_near = start.is_not(None) if until is None else start <= until
    columns: tuple[Any, ...] = _STORED if whole else _TIMES
    for ids in in_chunks(sorted(revision_ids)):
        query = select(*columns).where(
            NightRow.site_revision_id.in_(ids), NightRow.last_window_end > now, is_near
        )
        for row in session.execute(query):
            yield StoredNight(*row)


def coming_nights(
    session: Session, revision_ids: Collection[int], now: datetime
) -> dict[int, dict[str, dict[date, StoredNight]]]:
    """The nights of these site revisions that aren't over, by revision, key and name, ascending."""
    found: dict[int, dict[str, dict[date, StoredNight]]] = {}
    for ids in in_chunks(sorted(revision_ids)):
        query = select(*_STORED).where(NightRow.site_revision_id.in_(ids), NightRow.ends > now)
        for row in session.execute(query.order_by(NightRow.name)):
            night = StoredNight(*row)
            mine = found.setdefault(night.site_revision_id, {})
            mine.setdefault(night.sky_key, {})[night.name] = night
    return found


@dataclass(frozen=True, slots=True)
class StoredRun:
    """The nights of one site and sky in the store that aren't over."""

    count: int
    first: date
    last: date

    def first_missing(self, tonight: date) -> date:
        """The night from which on they must be worked out; from tonight on where there is any hole."""
        whole = self.count == (self.last - self.first).days + 1
        return self.last + timedelta(days=1) if whole and self.first <= tonight <= self.last else tonight


def stored_runs(
    session: Session, revision_ids: Collection[int], now: datetime
) -> dict[tuple[int, str], StoredRun]:
    """By site revision and key, which nights are there."""
    row, found = NightRow, dict[tuple[int, str], StoredRun]()
    for ids in in_chunks(sorted(revision_ids)):
        query = (
            select(row.site_revision_id, row.sky_key, func.count(), func.min(row.name), func.max(row.name))
            .where(row.site_revision_id.in_(ids), row.ends > now)
            .group_by(row.site_revision_id, row.sky_key)
        )
        for revision_id, key, count, first, last in session.execute(query):
            found[revision_id, key] = StoredRun(count, first, last)
    return found


def keep_nights(session: Session, rows: Sequence[dict[str, Any]]) -> None:
    """Write them; those that another process wrote meanwhile stay as they are."""
    session.execute(insert_into(session, NightRow).on_conflict_do_nothing(), rows)
