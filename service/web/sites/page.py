"""A site's page: its next worthwhile night, the nights ahead, the season, and what was told before."""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from alerts.briefing.pictures.drawing import PALETTES, Picture
from alerts.briefing.pictures.season_picture import draw_season
from alerts.common.clock_times import zone_info
from alerts.common.phrases import Reader, say
from alerts.common.text import direction_word
from alerts.common.units import Units
from alerts.sites.coordinates import say_lat_lon
from alerts.sky.nights.season import Season, wishes_text
from alerts.wishes.model import DEFAULT_WISHES
from service.store.repositories.alerts import last_alerts
from service.store.repositories.judged_events import last_words
from service.web.nights.judged_night import (
    FIRST_YEAR,
    LAST_YEAR,
    WIDTHS,
    judged_night,
    night_pictures,
    town_words,
)
from service.web.nights.outcomes import came_of
from service.web.nights.page import night_page, told_words
from service.web.shared.context import Here
from service.web.shared.site_rows import WatchedSite, site_rows, watched_site
from service.web.shared.sky_cache import SkyCache
from service.web.shared.viewer import Looking, SeenSite, Viewer

TOLD_SHOWN = 10
SEASON_KEPT = "private, max-age=3600"


router = APIRouter()


@router.get("/sites/{site_id:number}", response_class=HTMLResponse)
def site(web: Here, site_id: int, viewer: Looking) -> HTMLResponse:
    now = web.now()
    with web.reading() as session:
        watched = watched_site(session, site_id, viewer)
        seen = watched.seen
        row = site_rows(session, web.skies, [watched], now)[0]
        lead = row.best or row.tonight
        assert lead is not None, "the sky gives every site its nights"
        judged = judged_night(web, session, watched, lead.name)
        night = night_page(web, judged)
        told = told_nights(session, seen, viewer, row.units)
    return web.page(
        "sites/page.html",
        viewer=viewer,
        seen=seen,
        zone=row.site.zone,
        hours=row.units.clock_hours,
        base=f"/sites/{site_id}/nights/{lead.name}",
        lead=lead,
        night=night,
        pictures=night_pictures(web.skies, judged),
        cells=row.cells,
        ahead=[cell for cell in row.cells if cell.window is not None],
        told=told,
        place=place_words(web.skies, seen),
        year=now.year,
        is_watching=night.is_mine,
    )


@router.get("/sites/{site_id:number}/season", response_class=HTMLResponse)
def season(web: Here, site_id: int, viewer: Looking, year: int | None = None) -> HTMLResponse:
    chosen = _year(year, web.now())
    with web.reading() as session:
        watched = watched_site(session, site_id, viewer)
    found = watched_season(web.skies, watched, chosen)
    never = () if found.nights else web.skies.never(found.site, found.wishes, chosen)
    return web.page(
        "sites/season.html",
        viewer=viewer,
        seen=watched.seen,
        zone=found.site.zone,
        hours=watched.units.clock_hours,
        season=found,
        best=found.by_worth()[:10],
        never=never,
        year=chosen,
        years=(FIRST_YEAR, LAST_YEAR),
        wishes=wishes_text(found.site, found.wishes),
        picture=_season_picture(web.skies, found, "light", "narrow", None),
    )


@router.get("/sites/{site_id:number}/season.svg")
def season_picture(
    web: Here,
    site_id: int,
    viewer: Looking,
    year: int | None = None,
    look: Literal["light", "dark", "print"] = "light",
    width: Literal["narrow", "wide"] = "narrow",
) -> Response:
    chosen = _year(year, web.now())
    with web.reading() as session:
        watched = watched_site(session, site_id, viewer)
    found = watched_season(web.skies, watched, chosen)
    mark = web.now().date() if chosen == web.now().year else None
    drawn = _season_picture(web.skies, found, look, width, mark)
    return Response(drawn.svg, media_type="image/svg+xml", headers={"Cache-Control": SEASON_KEPT})


def watched_season(skies: SkyCache, watched: WatchedSite, year: int) -> Season:
    """Every night of the year with a window, by the wishes that are judged at the site, else the usual."""
    wishes = (watched.wishes or DEFAULT_WISHES).sky
    return skies.season(watched.seen.stored.site, date(year, 1, 1), date(year, 12, 31), wishes)


def _year(year: int | None, now: datetime) -> int:
    return now.year if year is None else min(max(year, FIRST_YEAR), LAST_YEAR)


def _season_picture(skies: SkyCache, found: Season, look: str, width: str, mark: date | None) -> Picture:
    key = ("season picture", found.site, found.first, found.last, found.wishes, look, width, mark)
    return skies.keep(key, lambda: draw_season(found, PALETTES[look], width=WIDTHS[width], mark=mark))


def told_nights(
    session: Session, seen: SeenSite, viewer: Viewer | None, units: Units
) -> list[tuple[date, str, str, str]]:
    """The last nights that the viewer was told of here, newest first: the last word on each, how it turned
    out, and what the viewer said of it."""
    if viewer is None:
        return []
    last = last_alerts(session, seen.row.id, viewer.person_id, most=TOLD_SHOWN)
    names = [each.alert.night_name for each in last]
    states = last_words(session, seen.row.id, names, viewer.person_id)
    said = {name: say("web-nights.seen", state=state) for name, state in states.items()}
    came = came_of(session, seen.row.id, names)
    reader = Reader(zone_info(seen.stored.site.zone), units)
    return [
        (name, told_words(each, reader), came.get(name, ""), said.get(name, ""))
        for name, each in zip(names, last, strict=True)
    ]


def place_words(skies: SkyCache, seen: SeenSite) -> list[tuple[str, str]]:
    """What is known of the place, as (label, words)."""
    site = seen.stored.site
    where = say_lat_lon(site.lat_deg, site.lon_deg, places=5 if seen.is_own else 2)
    known = {"coordinates": where if seen.is_own else say("web-sites.rounded", where=where)}
    if seen.stored.elevation_known:
        known["elevation"] = say("web-sites.elevation", elevation_m=site.elevation_m)
    if site.darkness is not None:
        known["darkness"] = say("web-sites.darkness", brightness=site.darkness.sqm_mag_arcsec2)
    known["town-glow"] = town_words(skies, site)
    noted = {"access": site.access_note, "notes": site.notes}
    rows = [(say(f"web-sites.label-{name}"), words) for name, words in known.items() if words]
    for each in site.foregrounds:
        toward = direction_word(each.bearing_deg)
        rows.append((each.name, say("web-sites.foreground", bearing_deg=each.bearing_deg, direction=toward)))
    return rows + [(say(f"web-sites.label-{name}"), words) for name, words in noted.items() if words]
