"""How often it was right: a page for each site and one over all, with its picture and its table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from alerts.briefing.pictures.drawing import PALETTES, Picture
from alerts.briefing.pictures.record_picture import draw_record
from alerts.common.phrases import say
from alerts.track.calibration.model import Lead
from alerts.track.record.summary import FEWEST_PAIRS, Ledger, Record, count_calls
from alerts.track.record.text import say_first, say_judges, say_model, say_regret, say_skill, say_worth
from service.hindsight.track_record import TrackRecord, load_record, record_csv
from service.store.repositories.judged_events import NOBODY, read_outcome
from service.store.repositories.pairs import load_pairs
from service.store.repositories.record_rows import last_settled, newest_change
from service.store.repositories.sites import sites_shown_to
from service.store.schema.core_tables import OutcomeRow, SiteRow
from service.web.error_pages import NothingHere
from service.web.nights.judged_night import WIDTHS
from service.web.shared.context import Here, Web
from service.web.shared.viewer import Looking, Viewer, need_viewer, seen_site

PICTURE_KEPT = "private, max-age=300"
NIGHTS_SHOWN = 40
ALL = "All sites"
SHORT_LEADS: Mapping[Lead, str] = {
    Lead.EVENING: "evening",
    Lead.MORNING: "morning",
    Lead.DAY_1: "1 day",
    Lead.DAY_2: "2 days",
    Lead.DAY_3: "3 days",
    Lead.DAY_5: "5 days",
}
Look = Literal["light", "dark", "print"]
Width = Literal["narrow", "wide"]


@dataclass(frozen=True, slots=True)
class RecordView:
    """A record as the page shows it, at one lead (the nearest, where the one asked for has none).

    leads: each with its short word and its record. ledgers: each with its sentences.
    """

    lead: Lead
    first: str
    lines: list[str]
    picture: Picture
    leads: list[tuple[Lead, str, Record]]
    models: list[str]
    ledgers: list[tuple[Ledger, list[str]]]


async def record_viewer(request: Request, viewer: Looking) -> Viewer | None:
    """Who looks: anybody at a site that they may see, over all sites only who is signed in."""
    return viewer if "site_id" in request.path_params else await need_viewer(request, viewer)


RecordViewer = Annotated[Viewer | None, Depends(record_viewer)]


router = APIRouter()

# each at two addresses: over all sites, for who is signed in, and of one


@router.get("/record", response_class=HTMLResponse)
@router.get("/sites/{site_id:number}/record", response_class=HTMLResponse)
def show(
    web: Here, request: Request, viewer: RecordViewer, lead: Annotated[Lead | None, Query()] = None
) -> HTMLResponse:
    sites: list[tuple[SiteRow, int, str]] = []
    with web.reading() as session:
        site, shown = asked_sites(session, request, viewer)
        found = kept_record(web, session, site.id if site else None)
        settled = last_settled(session, site.id, Lead.EVENING, most=NIGHTS_SHOWN) if site else []
        if site is None:
            sites = site_lines(session, shown)
    return web.page(
        "nights/record.html",
        viewer=viewer,
        base=request.url.path,
        view=view_record(found, lead, site.name if site else ALL),
        site=site,
        sites=sites,
        nights=[(each, read_outcome(each[1]), judge_words(each[1])) for each in settled],
        unsure=found.unsure,
        credits=found.credits,
        nothing=say("track.no-record"),
        fewest=FEWEST_PAIRS,
    )


@router.get("/record/{lead}.svg")
@router.get("/sites/{site_id:number}/record/{lead}.svg")
def picture(
    web: Here,
    request: Request,
    viewer: RecordViewer,
    lead: Lead,
    look: Look = "light",
    width: Width = "narrow",
) -> Response:
    with web.reading() as session:
        site, _ = asked_sites(session, request, viewer)
        found = kept_record(web, session, site.id if site else None)
    record = found.records.get(lead)
    if record is None:
        raise NothingHere
    drawn = draw_record(record, lead, site.name if site else ALL, PALETTES[look], width=WIDTHS[width])
    return Response(drawn.svg, media_type="image/svg+xml", headers={"Cache-Control": PICTURE_KEPT})


@router.get("/record.csv")
@router.get("/sites/{site_id:number}/record.csv")
def table(web: Here, request: Request, viewer: RecordViewer) -> Response:
    with web.reading() as session:
        site, shown = asked_sites(session, request, viewer)
        text = record_csv(session, [row.id for row in shown])
    name = f"duskbell-record-{request.path_params['site_id']}.csv" if site else "duskbell-record.csv"
    kept = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response(text, media_type="text/csv; charset=utf-8", headers=kept)


def asked_sites(
    session: Session, request: Request, viewer: Viewer | None
) -> tuple[SiteRow | None, Sequence[SiteRow]]:
    """The site whose record is asked for, None for that over all; and the sites of which it may tell."""
    site_id = request.path_params.get("site_id")
    if site_id is not None:
        row = seen_site(session, site_id, viewer).row
        return row, [row]
    assert viewer is not None, "see record_viewer"
    return None, sites_shown_to(session, viewer.person_id)


def kept_record(web: Web, session: Session, site_id: int | None) -> TrackRecord:
    """The record, worked out when first asked for after it changed: an outcome or a row came."""
    return web.skies.keep(("record", site_id, newest_change(session)), lambda: load_record(session, site_id))


def view_record(found: TrackRecord, asked: Lead | None, name: str) -> RecordView | None:
    """What the page shows of a record; None where there is none. asked: the lead wished for."""
    lead = asked if asked in found.records else found.lead
    if lead is None:
        return None
    record = found.records[lead]
    return RecordView(
        lead=lead,
        first=say_first(lead, record.calls),
        lines=[line for line in (say_judges(record), say_worth(record), say_skill(record)) if line],
        picture=draw_record(record, lead, name),
        leads=[(each, SHORT_LEADS[each], its) for each, its in found.records.items()],
        models=[say_model(each) for each in record.models],
        ledgers=[
            (ledger, [say_regret(ledger.now, other) for other in ledger.others]) for ledger in found.ledgers
        ],
    )


def site_lines(session: Session, sites: Sequence[SiteRow]) -> list[tuple[SiteRow, int, str]]:
    """Each site with how many evenings were judged there, and what was told of them in words."""
    told = load_pairs(session, lead=Lead.EVENING, with_lineages=False)
    lines = []
    for row in sites:
        own = told.at_site(row.id)
        words = say_first(Lead.EVENING, count_calls(own)) if len(own) else say("track.no-record")
        lines.append((row, len(own), words))
    return lines


def judge_words(row: OutcomeRow) -> str:
    """Whose word settled it; "" where nobody's did."""
    return "" if row.judge == NOBODY else say("track.judge", judge=row.judge)
