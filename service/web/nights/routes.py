"""One night at one site, at an address that stays; and its pictures."""

from __future__ import annotations

from datetime import date
from typing import Literal

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse

from alerts.common.units import in_units
from service.web.nights.argument_page import argue_night
from service.web.nights.far_night import ahead_of
from service.web.nights.judged_night import judged_night
from service.web.nights.outcomes import TOWARD, came_lines, said_outcome
from service.web.nights.page import build_night_page
from service.web.nights.pictures import night_pictures
from service.web.shared.context import Web
from service.web.shared.errors import NothingHere
from service.web.shared.viewer import Looking, seen_site

PICTURE_KEPT = "private, max-age=300"


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/sites/{site_id:number}/nights/{name}", response_class=HTMLResponse)
    def night(site_id: int, name: date, viewer: Looking) -> HTMLResponse:
        now = web.now()
        with web.reading() as session:
            seen = seen_site(session, site_id, viewer)
            judged = judged_night(session, web.skies, seen, viewer, name, now)
            ahead = ahead_of(web, judged, now)
            page = build_night_page(
                session, web.skies, judged, now, ahead=ahead, invented=web.duskbell.invented
            )
            argued = argue_night(session, web.skies, seen, judged, now)
            outcome = in_units(said_outcome(session, judged.site, seen.row.id, name, viewer), page.units)
            came = [
                in_units(line, page.units) for line in came_lines(session, judged.site, seen.row.id, name)
            ]
        return web.page(
            "night.html",
            viewer=viewer,
            seen=seen,
            night=page,
            zone=judged.site.zone,
            base=f"/sites/{site_id}/nights/{name}",
            nights=f"/sites/{site_id}/nights",
            this_year=now.year,
            argument=argued.lines,
            turns=argued.turns,
            outcome=outcome,
            came=came,
            toward=TOWARD,
        )

    @router.get("/sites/{site_id:number}/nights/{name}/{picture}.svg")
    def picture(
        site_id: int,
        name: date,
        picture: str,
        viewer: Looking,
        look: Literal["light", "dark", "print"] = "light",
        width: Literal["narrow", "wide"] = "narrow",
    ) -> Response:
        with web.reading() as session:
            seen = seen_site(session, site_id, viewer)
            judged = judged_night(session, web.skies, seen, viewer, name, web.now())
        drawn = night_pictures(web.skies, judged, look=look, width=width)
        found = next((each for each in drawn if each.name == picture), None)
        if found is None:
            raise NothingHere
        return Response(found.svg, media_type="image/svg+xml", headers={"Cache-Control": PICTURE_KEPT})

    return router
