"""Adding a site or many from a file, changing one, giving it up; each with a look at its nights before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.common.text import month_name
from alerts.field.place_doubts import PlaceDoubts
from alerts.field.trip_plan import Home
from alerts.sites.coordinates import say_lat_lon
from alerts.sites.model import Site, clean_name
from alerts.sky.nights.season import easier_wishes, wishes_text
from alerts.wishes.model import DEFAULT_WISHES
from service.accounts.quotas import require_room, room_for
from service.common.timezones import doubts, zone_at
from service.reports.place_files import MOST_PLACES, FoundPlace, read_places
from service.settings import Settings
from service.store.repositories.rounded_sites import find_copy, follow
from service.store.repositories.sites import NewSite, add_sites, require_free_name, revise_site, share_site
from service.store.repositories.subscriptions import running_subscriptions
from service.store.repositories.totals import Kept
from service.store.schema.core_tables import PersonRow, SiteRow
from service.web.error_pages import NotInvited
from service.web.nights.judged_night import town_words
from service.web.shared.assets import asset_url
from service.web.shared.context import Here, Web
from service.web.shared.forms import Filled, Form
from service.web.shared.night_row import NightCell, still_ahead
from service.web.shared.site_rows import NIGHTS_SHOWN
from service.web.shared.sky_cache import SkyCache
from service.web.shared.viewer import Keeping, SeenSite, SignedIn, Viewer, own_site
from service.web.sites.form import (
    ALL_MONTHS,
    Draft,
    FaultTexts,
    fields_of,
    filled_fields,
    read_draft,
)


@dataclass(frozen=True, slots=True)
class Preview:
    """What a site would give: its coming nights, its year, and what can never hold there.

    counts: how many nights of the year have a window, by wishes in words.
    """

    site: Site
    cells: tuple[NightCell, ...]
    counts: tuple[tuple[str, int], ...]
    never: tuple[str, ...]
    towns: str
    year: int


def build_preview(skies: SkyCache, site: Site, now: datetime) -> Preview:
    """The preview of a site, with the usual wishes."""
    wishes = DEFAULT_WISHES.sky
    bare = skies.bare_nights([site], now, NIGHTS_SHOWN + 1, wishes)[site]
    asked = (wishes, *easier_wishes(site, wishes))
    first = datetime(now.year, 1, 1, tzinfo=now.tzinfo).date()
    with skies.turns.turn():
        counts = tuple((wishes_text(site, each), skies.count(site, first, 365, each)) for each in asked)
    return Preview(
        site=site,
        cells=tuple(still_ahead(bare, now)[:NIGHTS_SHOWN]),
        counts=counts,
        never=skies.never(site, wishes, now.year),
        towns=town_words(skies, site),
        year=now.year,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteForm:
    """What the form shows. fields: as filled in or as kept. row: the site that is changed; None for a new
    one. draft: what is previewed; doubt: what is asked about its place."""

    viewer: Viewer
    fields: dict[str, object]
    row: SiteRow | None = None
    draft: Draft | None = None
    faults: FaultTexts = field(default_factory=FaultTexts)
    doubt: PlaceDoubts | None = None


def show_form(web: Web, shown: SiteForm) -> HTMLResponse:
    """The form, with a preview of what it describes."""
    preview = build_preview(web.skies, shown.draft.site, web.now()) if shown.draft else None
    return web.page(
        "sites/form.html",
        400 if shown.faults else 200,
        viewer=shown.viewer,
        row=shown.row,
        fields=shown.fields,
        faults=shown.faults,
        preview=preview,
        doubt=shown.doubt,
        sure_value=sure_value(shown.draft.site) if shown.draft else "",
        months=[(month, str(month_name(month, short=True))) for month in ALL_MONTHS],
        script_url=asset_url("site-form.js"),
    )


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


router = APIRouter()


def _answer(web: Web, viewer: Viewer, form: Form, seen: SeenSite | None) -> Response:
    """Show what the form describes, or keep it: as a new site, or as what is seen from now on."""
    draft, faults = read_draft(form)
    # moving a site is keeping a new one
    is_placed = draft is not None and (seen is None or is_elsewhere(draft.site, seen.stored.site))
    if is_placed and not viewer.may_keep:
        raise NotInvited
    doubt = find_doubt(web, viewer, draft, form) if draft is not None and is_placed else None
    row, fields = seen.row if seen else None, filled_fields(form)
    shown = SiteForm(viewer=viewer, fields=fields, row=row, draft=draft, faults=faults, doubt=doubt)
    if draft is None or doubt is not None or form.text("do") != "save":
        return show_form(web, shown)
    now = web.duskbell.clock()
    try:
        with web.writing.begin() as session:
            if seen is None:
                [site_id] = keep_sites(session, web.duskbell.settings, viewer, [draft], now)
            else:
                site_id = seen.row.id
                change_site(session, site_id, viewer, draft, now)
    except BadInput as refusal:
        return show_form(web, replace(shown, faults=FaultTexts(name=str(refusal))))
    return RedirectResponse(f"/sites/{site_id}", 303)


@router.get("/sites/new", response_class=HTMLResponse)
def new(web: Here, viewer: Keeping) -> HTMLResponse:
    empty = Form({"months": tuple(map(str, ALL_MONTHS))})
    return show_form(web, SiteForm(viewer=viewer, fields=filled_fields(empty)))


@router.post("/sites/new")
def create(web: Here, viewer: Keeping, form: Filled) -> Response:
    return _answer(web, viewer, form, None)


@router.get("/sites/{site_id:number}/edit", response_class=HTMLResponse)
def edit(web: Here, site_id: int, viewer: SignedIn) -> HTMLResponse:
    with web.reading() as session:
        seen = own_site(session, site_id, viewer)
    known = Draft(seen.stored.site, seen.stored.elevation_known, seen.row.is_shared)
    return show_form(web, SiteForm(viewer=viewer, fields=fields_of(known), row=seen.row))


@router.post("/sites/{site_id:number}/edit")
def change(web: Here, site_id: int, viewer: SignedIn, form: Filled) -> Response:
    with web.reading() as session:
        seen = own_site(session, site_id, viewer)
    return _answer(web, viewer, form, seen)


@router.post("/sites/{site_id:number}/remove")
def remove(web: Here, site_id: int, viewer: SignedIn) -> Response:
    with web.writing.begin() as session:
        remove_site(session, site_id, viewer, web.duskbell.clock())
    return RedirectResponse("/", 303)


# many at once from a file: read, shown with ticks, and kept when the person says which


def _show_found(web: Web, viewer: Viewer, rows: list[FoundRow], passed_over: int, fault: str) -> HTMLResponse:
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
def ask_file(web: Here, viewer: Keeping) -> HTMLResponse:
    return _show_found(web, viewer, [], 0, "")


@router.post("/sites/import", response_class=HTMLResponse)
def read_file(web: Here, viewer: Keeping, form: Filled) -> HTMLResponse:
    if "file" not in form.files:
        return _show_found(web, viewer, [], 0, say("web-sites.choose-file-first"))
    try:
        found = read_places(form.files["file"], latitude_first=form.is_ticked("latitude_first"))
    except BadInput as refusal:
        return _show_found(web, viewer, [], 0, str(refusal))
    with web.skies.turns.turn():
        home = viewer_home(web, viewer)
        rows = [found_row(web, place, home) for place in found.places]
    return _show_found(web, viewer, rows, found.passed_over, "")


@router.post("/sites/import/keep")
def keep_ticked(web: Here, viewer: Keeping, form: Filled) -> Response:
    drafts = chosen_drafts(form)
    with web.writing.begin() as session:
        keep_sites(session, web.duskbell.settings, viewer, drafts, web.duskbell.clock())
    return RedirectResponse("/", 303)


def find_doubt(web: Web, viewer: Viewer, draft: Draft, form: Form) -> PlaceDoubts | None:
    """What is asked about the place; None where nothing is, or the tick says that it is meant."""
    if form.text("sure") == sure_value(draft.site):
        return None
    return doubts(draft.site.lat_deg, draft.site.lon_deg, viewer_home(web, viewer))


def viewer_home(web: Web, viewer: Viewer) -> Home | None:
    with web.reading() as session:
        return session.get_one(PersonRow, viewer.person_id).home


def sure_value(site: Site) -> str:
    """What the tick stands for: it holds for no other coordinates."""
    return f"{site.lat_deg:.6f},{site.lon_deg:.6f}"


def is_elsewhere(site: Site, other: Site) -> bool:
    return (site.lat_deg, site.lon_deg) != (other.lat_deg, other.lon_deg)


def keep_sites(
    session: Session, settings: Settings, viewer: Viewer, drafts: Sequence[Draft], now: datetime
) -> list[int]:
    """Keep all of these as the viewer's, or none; their ids. BadInput when a name is taken, or they don't
    fit into what one person may keep.

    Whoever keeps one while sign-up is open goes on when it is closed.
    """
    require_room(session, settings, viewer.person_id, Kept.SITES, now, len(drafts))
    owner = session.get_one(PersonRow, viewer.person_id)
    owner.may_keep_sites = True
    wanted = [NewSite(each.site, each.elevation_known, each.is_shared) for each in drafts]
    return [row.id for row in add_sites(session, owner, wanted, now)]


def change_site(session: Session, site_id: int, viewer: Viewer, draft: Draft, now: datetime) -> None:
    """Describe the viewer's site anew; decisions made before keep what they were made on."""
    seen = own_site(session, site_id, viewer)
    require_free_name(session, viewer.person_id, draft.site.name, but=site_id)
    seen.row.name = draft.site.name
    if seen.row.is_shared and not draft.is_shared:
        end_at_copy(session, site_id, say("web-sites.ended-unshared"), now)
    share_site(session, seen.row, is_shared=draft.is_shared, now=now)
    if (draft.site, draft.elevation_known) != (seen.stored.site, seen.stored.elevation_known):
        revise_site(session, seen.row, draft.site, elevation_known=draft.elevation_known, now=now)


def remove_site(session: Session, site_id: int, viewer: Viewer, now: datetime) -> None:
    """Give the viewer's site up: nobody is told of it any more, and no page shows it."""
    row = own_site(session, site_id, viewer).row
    row.archived_at = now
    session.flush()
    end_subscriptions(session, site_id, say("web-sites.ended-removed"), now)
    end_at_copy(session, site_id, say("web-sites.ended-removed"), now)
    follow(session, row, now)


def end_at_copy(session: Session, site_id: int, why: str, now: datetime) -> None:
    """End what others have running of a site."""
    if (copy := find_copy(session, site_id)) is not None:
        end_subscriptions(session, copy.id, why, now)


def end_subscriptions(session: Session, site_id: int, why: str, now: datetime) -> None:
    """End what is running at a site."""
    for each in running_subscriptions(session, site_ids=[site_id]):
        each.ended_at, each.ended_why = now, why


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
