"""The briefing of one night for use in the dark: one page, complete in itself, kept on the phone.

The page needs its stylesheet and nothing else. Where the browser runs scripts, it keeps the page and
the stylesheet, and a worker of a few lines answers from there when the network doesn't.
"""

from __future__ import annotations

from datetime import date

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse

from alerts.weather.chance import cloud_hours
from service.web.nights.judged_night import judged_night
from service.web.nights.page import night_page
from service.web.shared.assets import asset_url, read_asset
from service.web.shared.context import Here
from service.web.shared.site_rows import watched_site
from service.web.shared.viewer import Looking

WORKER = "field-worker.js"
IN_THE_STEPS = frozenset({"leave", "home"})
"""Names of facts that the steps of the evening say already."""


router = APIRouter()


@router.get("/sites/{site_id:number}/nights/{name}/field", response_class=HTMLResponse)
def field(web: Here, site_id: int, name: date, viewer: Looking) -> HTMLResponse:
    with web.reading() as session:
        watched = watched_site(session, site_id, viewer)
        judged = judged_night(web, session, watched, name)
        page = night_page(web, judged)
    left_out = IN_THE_STEPS if page.words.field else frozenset()
    clouds = cloud_hours(judged.night.sunset_to_sunrise, judged.forecasts, now=judged.now)
    return web.page(
        "nights/field.html",
        seen=watched.seen,
        page=page,
        name=name,
        rows=[row for row in page.words.rows if row.name not in left_out],
        cloud=[hour for hour in clouds if hour.cloud_pct is not None],
        zone=judged.site.zone,
        hours=judged.reader.hours,
        base=f"/sites/{site_id}/nights/{name}",
        field_style_url=asset_url("field.css"),
        field_script_url=asset_url("field.js"),
    )


@router.get(f"/{WORKER}")
def worker() -> Response:
    """At the top, since a worker sees only what lies below it."""
    headers = {"Cache-Control": "no-cache"}
    return Response(read_asset(WORKER), media_type="text/javascript", headers=headers)
