"""The first page: what to do tonight, and the coming nights at every site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from alerts.common.phrases import say
from alerts.common.time_text import long_day, say_day
from service.setup.steps import is_untouched
from service.store.repositories.cycles import last_finished
from service.store.repositories.forecasts import credit_lines, last_answering
from service.web.shared.context import Here
from service.web.shared.filters import ago, headline
from service.web.shared.night_row import (
    NightCell,
    brief_words,
    cell_words,
    standing_of,
    window_words,
)
from service.web.shared.ring_notes import on_home
from service.web.shared.site_rows import (
    ListedSite,
    best_first,
    site_rows,
    watched_sites,
)
from service.web.shared.viewer import Looking, visible_sites

SITES_A_PAGE = 25
CREDITED = 50
"""Forecasts that came last, whose credits stand below."""
OPEN = ("go", "wait", "unknown")


@dataclass(frozen=True, slots=True)
class OpeningNight:
    """The night that the page opens with. when: the line above it; line: what is known of it."""

    row: ListedSite
    cell: NightCell
    when: str
    title: str
    line: str

    @property
    def why(self) -> str:
        """What decided, in the viewer's units."""
        return say(self.cell.why, self.row.reader) if self.cell.why else ""


router = APIRouter()


@router.get("/", response_class=HTMLResponse)
def home(
    web: Here,
    viewer: Looking,
    page: Annotated[int, Query(ge=1, le=10_000)] = 1,
) -> HTMLResponse:
    now = web.now()
    with web.reading() as session:
        sites = watched_sites(session, visible_sites(session, viewer), viewer)
        rows = best_first(site_rows(session, web.skies, sites, now))
        cycle = last_finished(session)
        fresh = viewer is None and not web.duskbell.invented and not rows
        untouched = fresh and is_untouched(session, web.duskbell.settings)
        answered = last_answering(session, CREDITED) if rows else {}
        credits = web.skies.keep(("credits", *answered), lambda: credit_lines(session, answered.values()))
        ring = on_home(web, session, viewer) if viewer and rows else []
    shown = rows[(page - 1) * SITES_A_PAGE : page * SITES_A_PAGE]
    lead = find_lead(rows)
    has_window = any(cell.window for row in rows for cell in row.cells)
    looked = say("web-sites.not-yet-looked")
    if cycle is not None and cycle.finished_at is not None:
        looked = say("web-sites.last-looked", ago=ago(cycle.finished_at, web.duskbell.clock()))
    return web.page(
        "sites/home.html",
        viewer=viewer,
        rows=shown,
        lead=lead,
        others=tonight_elsewhere(rows, lead),
        nothing=say("web-sites.nothing-but-stay" if has_window else "web-sites.nothing-dark"),
        notes={row.site_id: row_note(row) for row in shown},
        page=page,
        pages=-(-len(rows) // SITES_A_PAGE),
        cycle_minutes=web.duskbell.settings.cycle_minutes,
        looked=looked,
        credits=credits,
        is_untouched=untouched,
        ring=ring,
    )


def open_tonight(rows: Sequence[ListedSite]) -> list[tuple[ListedSite, NightCell]]:
    """The sites where tonight's window may yet be worth going out for, as far as known; best first."""
    cells = [(row, row.tonight) for row in rows if row.tonight and row.tonight.window]
    return sorted(
        [(row, cell) for row, cell in cells if cell.verdict in OPEN], key=lambda each: standing_of(each[1])
    )


def find_lead(rows: Sequence[ListedSite]) -> OpeningNight | None:
    """Tonight's best if tonight is a go, may become one, or nobody can say; else the best night ahead."""
    tonight = open_tonight(rows)
    ahead = tonight or [(row, row.best) for row in rows if row.best is not None]
    if not ahead:
        return None
    row, cell = min(ahead, key=lambda each: standing_of(each[1]))
    day, line = long_day(cell.name), window_words(cell, row.site.zone, row.units.clock_hours)
    if tonight:
        title = say("web-sites.tonight", verdict=headline(cell.verdict), site=row.name)
        return OpeningNight(row, cell, day, title, line)
    title = say("web-sites.best-night", day=day, site=row.name)
    return OpeningNight(row, cell, say("web-sites.best-ahead"), title, line)


def tonight_elsewhere(rows: Sequence[ListedSite], lead: OpeningNight | None) -> list[tuple[ListedSite, str]]:
    """What else tonight may hold, best first."""
    return [
        (row, cell_words(cell, row.site.zone, row.units.clock_hours))
        for row, cell in open_tonight(rows)
        if not (lead and row is lead.row)
    ]


def row_note(row: ListedSite) -> str:
    """The line above a site's columns: its best night in words."""
    if not row.cells:
        return say("web-sites.nights-not-yet")
    if row.best is None:
        return say("web-sites.no-night-worth")
    is_watched = row.is_watched or not row.is_own
    return say(
        "web-sites.best" if is_watched else "web-sites.best-nobody-told",
        day=say_day(row.best.name),
        night=brief_words(row.best),
    )
