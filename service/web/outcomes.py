"""How a night was, as people who were there say it: one tap on the night's page."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.errors import BadInput
from alerts.track.evidence import SeenSky
from service.store import tables
from service.store.track import add_person_report
from service.web.access import SignedIn, Viewer, seen_site
from service.web.context import Web
from service.web.faults import NothingHere
from service.web.forms import Filled
from service.web.judged import is_past, judged_night

SAID = {
    SeenSky.CLEAR: "clear",
    SeenSky.PARTLY: "partly clear",
    SeenSky.CLOUDY: "cloudy",
    SeenSky.DID_NOT_GO: "you didn't go",
}


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.post("/sites/{site_id:number}/nights/{name}/outcome")
    def say(site_id: int, name: date, viewer: SignedIn, form: Filled) -> Response:
        try:
            seen_sky = SeenSky(form.text("state"))
        except ValueError:
            raise BadInput("choose one of: clear, partly clear, cloudy, didn't go.") from None
        with web.writing.begin() as session:
            seen = seen_site(session, site_id, viewer)
            judged = judged_night(session, web.skies, seen, viewer, name, web.now())
            if not (seen.is_own or judged.is_mine):
                raise NothingHere
            if not is_past(judged.night, web.now()):
                raise BadInput("this night isn't over yet; say it in the morning.")
            add_person_report(
                session,
                site_id=site_id,
                night=name,
                person_id=viewer.person_id,
                seen=seen_sky,
                now=web.duskbell.clock(),
            )
        return RedirectResponse(f"/sites/{site_id}/nights/{name}#outcome", 303)

    return router


def said_outcome(session: Session, site_id: int, name: date, viewer: Viewer | None) -> str:
    """What the viewer said last of that night; "" when nothing."""
    return "" if viewer is None else outcomes_of(session, site_id, [name], viewer).get(name, "")


def outcomes_of(session: Session, site_id: int, names: Iterable[date], viewer: Viewer) -> dict[date, str]:
    """What the viewer said of those nights, by night, in words; their last word counts."""
    rows = session.execute(
        select(tables.Outcome.night_name, tables.Outcome.state)
        .where(
            tables.Outcome.site_id == site_id,
            tables.Outcome.night_name.in_(set(names)),
            tables.Outcome.person_id == viewer.person_id,
        )
        .order_by(tables.Outcome.id)
    )
    return {name: SAID.get(SeenSky(state), state) for name, state in rows}
