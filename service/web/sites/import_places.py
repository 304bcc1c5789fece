"""Many places at once from a file: read, shown with ticks, and kept when the person says which."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.field.driving import Home
from alerts.sites.coordinates import say_lat_lon
from alerts.sites.model import Site, clean_name
from alerts.wishes.model import DEFAULT_WISHES
from service.accounts.quotas import room_for
from service.common.timezones import doubts, zone_at
from service.reports.place_files import MOST_PLACES, FoundPlace, read_places
from service.store.repositories.totals import Kept
from service.store.schema.core_tables import PersonRow
from service.web.shared.context import Web
from service.web.shared.forms import Filled, Form
from service.web.shared.viewer import Keeping, Viewer
from service.web.sites.edit import keep_sites, viewer_home
from service.web.sites.form import Draft


@dataclass(frozen=True, slots=True)
class FoundRow:
    """A place of the file as the page offers it. value: what the form carries; nights: dark ones this
    year with the usual wishes; doubt: why it is left out unless ticked, or empty."""

    place: FoundPlace
    where: str
    zone: str
    doubt: str
    nights: int
    value: str


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    def show(viewer: Viewer, rows: list[FoundRow], passed_over: int, fault: str) -> HTMLResponse:
        with web.reading() as session:
            person = session.get_one(PersonRow, viewer.person_id)
            room = room_for(session, web.duskbell.settings, person, Kept.SITES)
        return web.page(
            "sites/import.html",
            400 if fault else 200,
            viewer=viewer,
            rows=rows,
            passed_over=passed_over,
            fault=fault,
            most=MOST_PLACES,
            room=room,
        )

    @router.get("/sites/import", response_class=HTMLResponse)
    def ask(viewer: Keeping) -> HTMLResponse:
        return show(viewer, [], 0, "")

    @router.post("/sites/import", response_class=HTMLResponse)
    def read(viewer: Keeping, form: Filled) -> HTMLResponse:
        if "file" not in form.files:
            return show(viewer, [], 0, say("web-sites.choose-file-first"))
        try:
            found = read_places(form.files["file"], latitude_first=form.is_ticked("latitude_first"))
        except BadInput as refusal:
            return show(viewer, [], 0, str(refusal))
        with web.skies.turns.turn():
            home = viewer_home(web, viewer)
            rows = [found_row(web, place, home) for place in found.places]
        return show(viewer, rows, found.passed_over, "")

    @router.post("/sites/import/keep")
    def keep(viewer: Keeping, form: Filled) -> Response:
        drafts = chosen_drafts(form)
        with web.writing.begin() as session:
            keep_sites(session, web.duskbell.settings, viewer, drafts, web.duskbell.clock())
        return RedirectResponse("/", 303)

    return router


def found_row(web: Web, place: FoundPlace, home: Home | None) -> FoundRow:
    zone = zone_at(place.lat_deg, place.lon_deg)
    site = Site(place.name, place.lat_deg, place.lon_deg, place.elevation_m or 0.0, zone)
    elevation = "" if place.elevation_m is None else f"{place.elevation_m:g}"
    first = web.now().date().replace(month=1, day=1)
    return FoundRow(
        place,
        say_lat_lon(place.lat_deg, place.lon_deg),
        zone,
        doubt.text if (doubt := doubts(place.lat_deg, place.lon_deg, home)) else "",
        web.skies.count(site, first, 365, DEFAULT_WISHES.sky),
        f"{place.lat_deg!r};{place.lon_deg!r};{elevation}",
    )


def chosen_drafts(form: Form) -> list[Draft]:
    """The places that are ticked, under the names given to them. BadInput when none is."""
    drafts = []
    for key in form.all("keep"):
        try:
            lat, lon, elevation = form.text(f"place-{key}").split(";")
            lat_deg, lon_deg = float(lat), float(lon)
            elevation_m = float(elevation) if elevation else None
        except ValueError:
            raise BadInput(phrase("web-sites.places-damaged")) from None
        name = clean_name(form.text(f"name-{key}"))
        site = Site(name, lat_deg, lon_deg, elevation_m or 0.0, zone_at(lat_deg, lon_deg))
        drafts.append(Draft(site, elevation_m is not None, is_shared=False))
    if not drafts:
        raise BadInput(phrase("web-sites.tick-a-place"))
    if len(drafts) > MOST_PLACES:
        raise BadInput(phrase("web-sites.places-too-many", most=MOST_PLACES))
    return drafts
