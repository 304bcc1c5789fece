"""The briefing of one night for use in the dark: one page, complete in itself, kept on the phone.

The page needs its stylesheet and nothing else. Where the browser runs scripts, it keeps the page and
the stylesheet, and a worker of a few lines answers from there when the network doesn't.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse

from alerts.briefing.render import line_of
from alerts.briefing.text.alert_lines import CAUTIONS
from alerts.briefing.text.alert_view import AlertView, FactRow, view_alert
from alerts.common.phrases import say
from alerts.common.text import sentence
from alerts.common.units import Units
from alerts.weather.chance import CloudHour, cloud_hours
from alerts.wishes.model import units_of
from service.web.nights.judged_night import ShownNight, ahead_of, is_past, judged_night
from service.web.nights.page import leave_words, night_data, night_facts
from service.web.shared.assets import asset_url, read_asset
from service.web.shared.context import Web
from service.web.shared.site_rows import watched_sites
from service.web.shared.viewer import Looking, seen_site

WORKER = "field-worker.js"
IN_THE_STEPS = frozenset({"leave", "home"})
"""Names of facts that the steps of the evening say already."""


@dataclass(frozen=True, slots=True)
class FieldPage:
    """What the page says.

    rows: facts of the sky. leave: when to, with its zone; "" for nobody. cautions: only for a go.
    cloud: hours that are forecast. data: verdict, chance and times for programs.
    """

    verdict: str
    line: str
    words: AlertView
    rows: tuple[FactRow, ...]
    leave: str
    units: Units
    cautions: tuple[str, ...]
    cloud: tuple[CloudHour, ...]
    data: str


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/sites/{site_id:number}/nights/{name}/field", response_class=HTMLResponse)
    def field(site_id: int, name: date, viewer: Looking) -> HTMLResponse:
        now = web.now()
        with web.reading() as session:
            seen = seen_site(session, site_id, viewer)
            [watched] = watched_sites(session, [seen], viewer)
            judged = judged_night(web, session, watched, name)
            page = build_field_page(web, judged)
        return web.page(
            "nights/field.html",
            seen=seen,
            page=page,
            name=name,
            zone=judged.site.zone,
            is_past=is_past(judged.night, now),
            base=f"/sites/{site_id}/nights/{name}",
            field_style_url=asset_url("field.css"),
            field_script_url=asset_url("field.js"),
        )

    @router.get(f"/{WORKER}")
    def worker() -> Response:
        """At the top, since a worker sees only what lies below it."""
        headers = {"Cache-Control": "no-cache"}
        return Response(read_asset(WORKER), media_type="text/javascript", headers=headers)

    return router


def build_field_page(web: Web, judged: ShownNight) -> FieldPage:
    """The page's values."""
    facts = night_facts(web, judged, ahead_of(web, judged))
    verdict = judged.verdict.word.value
    units = units_of(judged.wishes)
    words = view_alert(facts, units)
    left_out = IN_THE_STEPS if words.field else frozenset()
    clouds = cloud_hours(judged.shown_span, judged.forecasts, now=judged.as_of)
    return FieldPage(
        verdict=verdict,
        line=sentence(line_of(words, headed=True)),
        words=words,
        rows=tuple(row for row in words.rows if row.name not in left_out),
        leave=leave_words(facts, units) if facts.is_go else "",
        units=units,
        cautions=tuple(map(say, CAUTIONS)) if facts.is_go else (),
        cloud=tuple(hour for hour in clouds if hour.cloud_pct is not None),
        data=night_data(judged, facts),
    )
