"""The sites a person sees, each with its coming nights: from the rows, and from the sky where none are."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import NamedTuple

from sqlalchemy.orm import Session

from alerts.common.clock_times import zone_info
from alerts.common.phrases import Reader
from alerts.common.units import Units
from alerts.sites.model import Site
from alerts.wishes.model import DEFAULT_WISHES, Wishes, units_of
from service.explain.stored_verdict import read_inputs, settled_moments
from service.store.json_values import from_json
from service.store.repositories.decisions import LastDecision, decisions_by_id, newest_standing
from service.store.repositories.forecasts import newest_ids, place_key
from service.store.repositories.nights import NightRef, night_key, nights_ahead, nights_by_id, versioned
from service.store.repositories.sites import StoredSite
from service.store.repositories.subscriptions import running_subscriptions
from service.store.schema.core_tables import SubscriptionRow
from service.web.shared.night_row import (
    ORDER,
    NightCell,
    cell_of_row,
    cell_of_verdict,
    standing_of,
    still_ahead,
)
from service.web.shared.sky_cache import SkyCache
from service.web.shared.viewer import SeenSite, Viewer, seen_site

NIGHTS_SHOWN = 14
_LOOK_BACK = timedelta(days=2)


@dataclass(frozen=True, slots=True)
class WatchedSite:
    """A site with the subscription whose verdicts are shown, the viewer's, else the owner's; None for none.

    wishes: of that subscription. is_mine: they are the viewer's.
    """

    seen: SeenSite
    watcher: SubscriptionRow | None
    wishes: Wishes | None
    is_mine: bool

    @property
    def units(self) -> Units:
        """As the viewer wished to read figures and times here; the usual where the wishes aren't theirs."""
        return units_of(self.wishes) if self.is_mine and self.wishes is not None else Units.METRIC


def watched_sites(session: Session, sites: Sequence[SeenSite], viewer: Viewer | None) -> list[WatchedSite]:
    """Each site with the oldest subscription of the viewer, else of its owner; of a copy for others the
    viewer's or none."""
    me = viewer.person_id if viewer else None
    owners = {each.row.id: each.row.owner_id for each in sites}
    chosen: dict[int, SubscriptionRow] = {}
    for running in running_subscriptions(session, site_ids=set(owners)):
        known = chosen.get(running.site_id)
        is_better = known is None or running.person_id == me != known.person_id
        if is_better and running.person_id in (me, owners[running.site_id]):
            chosen[running.site_id] = running
    found = []
    for each in sites:
        watcher = chosen.get(each.row.id)
        wishes = from_json(Wishes, watcher.wishes) if watcher is not None else None
        found.append(WatchedSite(each, watcher, wishes, watcher is not None and watcher.person_id == me))
    return found


def watched_site(session: Session, site_id: int, viewer: Viewer | None) -> WatchedSite:
    """The same of one site; NothingHere where this viewer may not see it."""
    return watched_sites(session, [seen_site(session, site_id, viewer)], viewer)[0]


@dataclass(frozen=True, slots=True)
class ListedSite:
    """A site and its coming nights. best: the one most worth looking at; None when none has a window.

    is_own: of the viewer; is_watched: someone's wishes are judged here. units: as the viewer wished to read
    figures and times of this site. leave_zone: of the clock that they leave by.
    """

    site_id: int
    name: str
    site: Site
    is_own: bool
    is_watched: bool
    cells: tuple[NightCell, ...]
    best: NightCell | None
    units: Units
    leave_zone: str

    @property
    def reader(self) -> Reader:
        """Who reads of it, on the site's clock."""
        return Reader(zone_info(self.site.zone), self.units)

    @property
    def tonight(self) -> NightCell | None:
        return self.cells[0] if self.cells else None


def site_rows(
    session: Session, skies: SkyCache, sites: Sequence[WatchedSite], now: datetime
) -> list[ListedSite]:
    """Each site with its coming nights, in the order given."""
    rows = _stored_rows(session, skies, sites, now)
    copies = [each.seen.stored for each in sites if not each.seen.is_own and each.watcher is None]
    rows |= _usual_rows(session, skies, copies, now)
    bare = [each.seen.stored.site for each in sites if not rows.get(each.seen.row.id)]
    unwatched = skies.bare_nights(bare, now, NIGHTS_SHOWN + 1, DEFAULT_WISHES.sky) if bare else {}
    found = []
    for each in sites:
        row, site = each.seen.row, each.seen.stored.site
        cells = still_ahead(rows.get(row.id) or unwatched[site], now)[:NIGHTS_SHOWN]
        worth = (cell for cell in cells if cell.window and cell.verdict in ("go", "wait", ""))
        found.append(
            ListedSite(
                site_id=row.id,
                name=row.name,
                site=site,
                is_own=each.seen.is_own,
                is_watched=each.watcher is not None,
                cells=tuple(cells),
                best=min(worth, key=standing_of, default=None),
                units=each.units,
                leave_zone=(each.is_mine and each.wishes and each.wishes.clock_zone) or site.zone,
            )
        )
    return found


class CellKey(NamedTuple):
    """What a cell is made of: which night, by which decision, for whose wishes as text, "" for nobody's.
    is_own: with the site's note."""

    night_id: int
    computed_at: datetime
    decision_id: int | None
    wished: str
    is_own: bool


def _stored_rows(
    session: Session, skies: SkyCache, sites: Sequence[WatchedSite], now: datetime
) -> dict[int, list[NightCell]]:
    """By site the cells of the nights that the store holds for its watcher's wishes."""
    revisions = {each.watcher.id: each.seen.stored.revision_id for each in sites if each.watcher is not None}
    nights = nights_ahead(session, set(revisions.values()), now, days=NIGHTS_SHOWN + 1)
    numbers = {row.night_id: row for rows in nights.values() for row in rows}
    decided: defaultdict[int, dict[date, LastDecision]] = defaultdict(dict)
    since = (now - _LOOK_BACK).date()
    for (watcher_id, name), standing in newest_standing(session, revisions, since).items():
        decided[watcher_id][name] = standing

    # The night that a decision is about goes before the newest that was computed.
    rows: dict[int, list[CellKey]] = {}
    sites_of: dict[CellKey, WatchedSite] = {}
    for each in sites:
        watcher = each.watcher
        if watcher is None:
            continue
        wished = json.dumps(watcher.wishes) if each.is_mine else ""
        under = nights[each.seen.stored.revision_id, versioned(watcher.sky_key)]
        coming: dict[date, tuple[NightRef, int | None]] = {row.name: (row, None) for row in under}
        coming |= {
            name: (numbers[standing.night_id], standing.decision_id)
            for name, standing in decided[watcher.id].items()
            if standing.night_id in numbers
        }
        keys = [
            CellKey(night.night_id, night.computed_at, decision_id, wished, each.seen.is_own)
            for _, (night, decision_id) in sorted(coming.items())
        ]
        rows[each.seen.row.id] = keys
        sites_of |= dict.fromkeys(keys, each)
    cells = _cells(session, skies, sites_of)
    return {site_id: [cells[key] for key in keys] for site_id, keys in rows.items()}


def _usual_rows(
    session: Session, skies: SkyCache, copies: Sequence[StoredSite], now: datetime
) -> dict[int, list[NightCell]]:
    """By site the nights that the store holds for whoever looks at a shared site, judged by the usual wishes
    on the forecasts at hand: as of the moment that all views settle on."""
    if not copies:
        return {}
    wishes, moments = DEFAULT_WISHES, settled_moments(session, copies, now)
    nights = nights_ahead(session, {each.revision_id for each in copies}, now, days=NIGHTS_SHOWN + 1)
    newest = newest_ids(session, {place_key(each.site) for each in copies})
    found: dict[int, list[NightCell]] = {}
    for each in copies:
        mine = nights[each.revision_id, night_key(wishes.sky)]
        made_of = (
            tuple((row.night_id, row.computed_at) for row in mine),
            newest.get(place_key(each.site)),
            moments[each.site_id],
        )

        def judge(stored: StoredSite = each, rows: Sequence[NightRef] = mine) -> list[NightCell]:
            inputs = read_inputs(session, [stored], now)[stored.site_id]
            by_id = nights_by_id(session, {row.night_id for row in rows})
            judged = [
                (night, inputs.judge([night], wishes)) for night in (by_id[row.night_id] for row in rows)
            ]
            return [cell_of_verdict(night, verdict, inputs.now) for night, verdict in judged]

        found[each.site_id] = skies.keep(("usual", *made_of), judge)
    return found


def _cells(
    session: Session, skies: SkyCache, wanted: Mapping[CellKey, WatchedSite]
) -> dict[CellKey, NightCell]:
    """The cells: those that were made before, and those that are made now, read in one go."""
    found = {key: cell for key in wanted if (cell := skies.cells.get(key)) is not None}
    missing = [key for key in wanted if key not in found]
    if not missing:
        return found
    nights = nights_by_id(session, {key.night_id for key in missing})
    decisions = decisions_by_id(session, {key.decision_id for key in missing if key.decision_id})
    for key in missing:
        decision = decisions[key.decision_id] if key.decision_id else None
        site, mine = wanted[key].seen.stored.site, wanted[key].wishes if key.wished else None
        found[key] = cell_of_row(nights[key.night_id], decision, site, mine, is_own=key.is_own)
        skies.cells.put(key, found[key])
    return found


def best_first(rows: Iterable[ListedSite]) -> list[ListedSite]:
    """Sites by their best night, the best first; those without one last, by name."""
    last = (len(ORDER), 0.0, date.max)
    return sorted(rows, key=lambda row: (standing_of(row.best) if row.best else last, row.name.casefold()))
