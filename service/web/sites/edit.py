"""Adding a site, changing it, giving it up; each with a look at its nights before anything is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.name_tables import month_name
from alerts.common.phrases import say
from alerts.field.driving import Home
from alerts.field.place_doubts import PlaceDoubts
from alerts.sites.model import Site
from alerts.sky.nights.season import easier_wishes, wishes_text
from alerts.wishes.model import DEFAULT_WISHES
from service.accounts.quotas import require_room
from service.common.timezones import doubts
from service.settings import Settings
from service.store.repositories.rounded_sites import find_copy, follow
from service.store.repositories.sites import NewSite, add_sites, require_free_name, revise_site, share_site
from service.store.repositories.subscriptions import running_subscriptions
from service.store.repositories.totals import Kept
from service.store.schema.core_tables import PersonRow, SiteRow
from service.web.error_pages import NotInvited
from service.web.nights.judged_night import town_words
from service.web.shared.assets import asset_url
from service.web.shared.context import Web
from service.web.shared.forms import Filled, Form
from service.web.shared.night_row import NightCell, still_ahead
from service.web.shared.site_rows import NIGHTS_SHOWN
from service.web.shared.sky_cache import SkyCache
from service.web.shared.viewer import Keeping, SignedIn, Viewer, own_site
from service.web.sites.form import (
    ALL_MONTHS,
    Draft,
    FaultTexts,
    empty_fields,
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
        cells=preview.cells if preview else (),
        months=[(month, month_name(month, short=True)) for month in ALL_MONTHS],
        script_url=asset_url("site-form.js"),
    )


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/sites/new", response_class=HTMLResponse)
    def new(viewer: Keeping) -> HTMLResponse:
        return show_form(web, SiteForm(viewer=viewer, fields=empty_fields()))

    @router.post("/sites/new")
    def create(viewer: Keeping, form: Filled) -> Response:
        draft, faults = read_draft(form)
        doubt = find_doubt(web, viewer, draft, form) if draft else None
        shown = SiteForm(viewer=viewer, fields=filled_fields(form), draft=draft, faults=faults, doubt=doubt)
        if draft is None or doubt is not None or form.text("do") != "save":
            return show_form(web, shown)
        try:
            with web.writing.begin() as session:
                site_id = keep_site(session, web.duskbell.settings, viewer, draft, web.duskbell.clock())
        except BadInput as refusal:
            return show_form(web, replace(shown, faults=FaultTexts(name=str(refusal))))
        return RedirectResponse(f"/sites/{site_id}", 303)

    @router.get("/sites/{site_id:number}/edit", response_class=HTMLResponse)
    def edit(site_id: int, viewer: SignedIn) -> HTMLResponse:
        with web.reading() as session:
            seen = own_site(session, site_id, viewer)
        known = Draft(seen.stored.site, seen.stored.elevation_known, seen.row.is_shared)
        return show_form(web, SiteForm(viewer=viewer, fields=fields_of(known), row=seen.row))

    @router.post("/sites/{site_id:number}/edit")
    def change(site_id: int, viewer: SignedIn, form: Filled) -> Response:
        with web.reading() as session:
            seen = own_site(session, site_id, viewer)
        draft, faults = read_draft(form)
        moved = draft is not None and is_elsewhere(draft.site, seen.stored.site)
        if moved and not viewer.may_keep:
            raise NotInvited
        doubt = find_doubt(web, viewer, draft, form) if draft is not None and moved else None
        shown = SiteForm(
            viewer=viewer, fields=filled_fields(form), row=seen.row, draft=draft, faults=faults, doubt=doubt
        )
        if draft is None or doubt is not None or form.text("do") != "save":
            return show_form(web, shown)
        try:
            with web.writing.begin() as session:
                change_site(session, site_id, viewer, draft, web.duskbell.clock())
        except BadInput as refusal:
            return show_form(web, replace(shown, faults=FaultTexts(name=str(refusal))))
        return RedirectResponse(f"/sites/{site_id}", 303)

    @router.post("/sites/{site_id:number}/remove")
    def remove(site_id: int, viewer: SignedIn) -> Response:
        with web.writing.begin() as session:
            remove_site(session, site_id, viewer, web.duskbell.clock())
        return RedirectResponse("/", 303)

    return router


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
    """Whether it is another place: moving a site is keeping a new one."""
    return (site.lat_deg, site.lon_deg) != (other.lat_deg, other.lon_deg)


def keep_site(session: Session, settings: Settings, viewer: Viewer, draft: Draft, now: datetime) -> int:
    """Keep a new site of the viewer's; its id. BadInput when one of theirs has the name."""
    return keep_sites(session, settings, viewer, [draft], now)[0]


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
