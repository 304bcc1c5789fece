"""The sites a person sees, each with its coming nights: from the rows, and from the sky where none are."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from alerts.common.units import Units
from alerts.sites.model import Site
from alerts.wishes.model import DEFAULT_WISHES, Wishes, units_of
from service.explain.stored_verdict import read_inputs, settled_moments
from service.store.json_values import from_json
from service.store.repositories.decisions import StandingDecision, decisions_by_id, newest_standing
from service.store.repositories.forecasts import newest_ids, place_key
from service.store.repositories.nights import NightRef, night_key, nights_ahead, nights_by_id, versioned
from service.store.repositories.sites import StoredSite, newest_revisions, sites_shown_to
from service.store.repositories.subscriptions import running_subscriptions
from service.store.schema.core_tables import SiteRow, SubscriptionRow
from service.web.shared.night_row import (
    ORDER,
    NightCell,
    best_of,
    cell_of_bare,
    cell_of_row,
    cell_of_verdict,
    standing_of,
    still_ahead,
)
from service.web.shared.sky_cache import SkyCache
from service.web.shared.viewer import Viewer

NIGHTS_SHOWN = 14
_LOOK_BACK = timedelta(days=2)


@dataclass(frozen=True, slots=True)
class ListedSite:
    """A site and its coming nights. is_own: of the viewer; is_watched: someone's wishes are judged here.
    units: as the viewer wished to read figures and times of this site. clock_zone: of the clock that they
    leave by; "" for the site's."""

    site_id: int
    name: str
    zone: str
    is_own: bool
    is_watched: bool
    cells: tuple[NightCell, ...]
    units: Units = Units.METRIC
    clock_zone: str = ""

    @property
    def leave_zone(self) -> str:
        return self.clock_zone or self.zone

    @property
    def clock_hours(self) -> int:
        return self.units.clock_hours

    @property
    def best(self) -> NightCell | None:
        return best_of(self.cells)

    @property
    def tonight(self) -> NightCell | None:
        return self.cells[0] if self.cells else None


def visible_sites(session: Session, viewer: Viewer | None) -> list[SiteRow]:
    return sites_shown_to(session, viewer.person_id if viewer else None)


def site_rows(
    session: Session, skies: SkyCache, sites: Sequence[SiteRow], viewer: Viewer | None, now: datetime
) -> list[ListedSite]:
    """Each site with its coming nights, in the order given."""
    stored = newest_revisions(session, {row.id for row in sites})
    watchers = watchers_of(session, sites, viewer)
    owned = {row.id for row in sites if row.rounded_of_id is None}
    me = viewer.person_id if viewer else None
    watched = [
        WatchedSite(stored[site_id], each, is_own=site_id in owned, is_mine=each.person_id == me)
        for site_id, each in watchers.items()
    ]
    rows = _stored_rows(session, skies, watched, now)
    copies = [row.id for row in sites if row.rounded_of_id is not None and row.id not in watchers]
    rows |= _usual_rows(session, skies, [stored[site_id] for site_id in copies], now)
    bare = [stored[row.id].site for row in sites if not rows.get(row.id)]
    wishes = DEFAULT_WISHES.sky
    unwatched = skies.bare_nights(bare, now, NIGHTS_SHOWN + 1, wishes) if bare else {}
    found = []
    for row in sites:
        site = stored[row.id].site
        cells = rows.get(row.id) or [cell_of_bare(night) for night in unwatched[site]]
        watcher = watchers.get(row.id)
        found.append(
            ListedSite(
                site_id=row.id,
                name=row.name,
                zone=site.zone,
                is_own=row.id in owned,
                is_watched=row.id in watchers,
                cells=tuple(still_ahead(cells, now)[:NIGHTS_SHOWN]),
                units=units_for(watcher, viewer),
                clock_zone=str(watcher.wishes.get("clock_zone") or "")
                if watcher is not None and watcher.person_id == me
                else "",
            )
        )
    return found


def units_for(watcher: SubscriptionRow | None, viewer: Viewer | None) -> Units:
    """As the viewer wished to read figures and times here; the usual where the wishes aren't theirs."""
    if watcher is None or viewer is None or watcher.person_id != viewer.person_id:
        return Units.METRIC
    return units_of(from_json(Wishes, watcher.wishes))


def watchers_of(
    session: Session, sites: Sequence[SiteRow], viewer: Viewer | None
) -> dict[int, SubscriptionRow]:
    """For each site the subscription whose verdicts are shown: the viewer's, else the owner's."""
    me = viewer.person_id if viewer else None
    owners = {row.id: row.owner_id for row in sites}
    chosen: dict[int, SubscriptionRow] = {}
    for each in running_subscriptions(session, site_ids=set(owners)):
        known = chosen.get(each.site_id)
        is_better = known is None or each.person_id == me != known.person_id
        if is_better and each.person_id in (me, owners[each.site_id]):
            chosen[each.site_id] = each
    return chosen


@dataclass(frozen=True, slots=True)
class WatchedSite:
    """A site with the subscription whose verdicts are shown. is_own: the site is the viewer's; is_mine: the
    wishes are."""

    stored: StoredSite
    watcher: SubscriptionRow
    is_own: bool
    is_mine: bool


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A cell to make: of which night, by which decision, for whose wishes as text, "" for nobody's.

    is_own: the site is the viewer's.
    """

    night_id: int
    computed_at: datetime
    decision_id: int | None
    wished: str
    is_own: bool
    site: Site = field(compare=False)
    wishes: Wishes | None = field(compare=False)


def _stored_rows(
    session: Session, skies: SkyCache, watched: Sequence[WatchedSite], now: datetime
) -> dict[int, list[NightCell]]:
    """By site the cells of the nights that the store holds for its watcher's wishes."""
    revision_ids = {each.stored.revision_id for each in watched}
    nights = nights_ahead(session, revision_ids, now, days=NIGHTS_SHOWN + 1)
    numbers = {row.night_id: row for rows in nights.values() for row in rows}
    revisions = {each.watcher.id: each.stored.revision_id for each in watched}
    decided: defaultdict[int, dict[date, StandingDecision]] = defaultdict(dict)
    for (watcher_id, name), standing in newest_standing(
        session, revisions, (now - _LOOK_BACK).date()
    ).items():
        decided[watcher_id][name] = standing

    # The night that a decision is about goes before the newest that was computed.
    wanted: dict[int, list[_Wanted]] = {}
    for each in watched:
        watcher, site = each.watcher, each.stored.site
        wishes = from_json(Wishes, watcher.wishes) if each.is_mine else None
        wished = json.dumps(watcher.wishes) if each.is_mine else ""
        under = nights[each.stored.revision_id, versioned(watcher.sky_key)]
        coming: dict[date, tuple[NightRef, int | None]] = {row.name: (row, None) for row in under}
        coming |= {
            name: (numbers[standing.night_id], standing.decision_id)
            for name, standing in decided[watcher.id].items()
            if standing.night_id in numbers
        }
        wanted[each.stored.site_id] = [
            _Wanted(night.night_id, night.computed_at, decision_id, wished, each.is_own, site, wishes)
            for _, (night, decision_id) in sorted(coming.items())
        ]
    cells = _cells(session, skies, [each for row in wanted.values() for each in row])
    return {site_id: [cells[each] for each in row] for site_id, row in wanted.items()}


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


def _cells(session: Session, skies: SkyCache, wanted: Iterable[_Wanted]) -> dict[_Wanted, NightCell]:
    """The cells: those that were made before, and those that are made now, read in one go."""
    known = {each: skies.cells.get(each) for each in wanted}
    missing = [each for each, cell in known.items() if cell is None]
    nights = nights_by_id(session, {each.night_id for each in missing})
    decisions = decisions_by_id(session, {each.decision_id for each in missing if each.decision_id})
    made: dict[_Wanted, NightCell] = {}
    for each in missing:
        decision = decisions[each.decision_id] if each.decision_id else None
        night = nights[each.night_id]
        made[each] = cell_of_row(night, decision, each.site, each.wishes, is_own=each.is_own)
        skies.cells.put(each, made[each])
    return {**{each: cell for each, cell in known.items() if cell is not None}, **made}


def best_first(rows: Iterable[ListedSite]) -> list[ListedSite]:
    """Sites by their best night, the best first; those without one last, by name."""
    last = (len(ORDER), 0.0, date.max)
    return sorted(rows, key=lambda row: (standing_of(row.best) if row.best else last, row.name.casefold()))
