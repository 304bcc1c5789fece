"""How often it was right: a page for each site and one over all, with its picture and its table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from alerts.briefing.pictures.drawing import PALETTES, Picture
from alerts.briefing.pictures.record_picture import draw_record
from alerts.common.phrases import Phrase, say
from alerts.track.calibration.leads import Lead
from alerts.track.record.regret import Ledger
from alerts.track.record.summary import FEWEST_PAIRS, Record, count_calls
from alerts.track.record.text import say_first, say_judges, say_model, say_regret, say_skill, say_worth
from service.hindsight.track_record import TrackRecord, load_record, record_csv
from service.store.repositories.judged_events import NOBODY, read_outcome
from service.store.repositories.pairs import load_pairs
from service.store.repositories.record_rows import last_settled, newest_change
from service.store.repositories.sites import sites_shown_to
from service.store.schema.core_tables import SiteRow
from service.web.error_pages import NothingHere
from service.web.nights.judged_night import WIDTHS
from service.web.shared.context import Web
from service.web.shared.viewer import Looking, SignedIn, seen_site

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
class NightLine:
    """One judged window in the list of nights. said: the evening's chance, "" when none stood; judge: whose
    word settled it, "" where nobody's did."""

    name: date
    said: str
    told_go: bool
    came: str
    judge: str
    why: Phrase
    disagreement: tuple[Phrase, ...]


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


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/record", response_class=HTMLResponse)
    def over_all(viewer: SignedIn, lead: Annotated[Lead | None, Query()] = None) -> HTMLResponse:
        with web.reading() as session:
            found = kept_record(web, session, None)
            sites = site_lines(session, sites_shown_to(session, viewer.person_id))
        return show(web, found, lead, viewer=viewer, base="/record", site=None, sites=sites, nights=[])

    @router.get("/sites/{site_id:number}/record", response_class=HTMLResponse)
    def of_site(site_id: int, viewer: Looking, lead: Annotated[Lead | None, Query()] = None) -> HTMLResponse:
        with web.reading() as session:
            seen = seen_site(session, site_id, viewer)
            found = kept_record(web, session, seen.row.id)
            nights = night_lines(session, seen.row.id)
        base = f"/sites/{site_id}/record"
        return show(web, found, lead, viewer=viewer, base=base, site=seen.row, sites=[], nights=nights)

    @router.get("/record/{lead}.svg")
    def picture_over_all(_: SignedIn, lead: Lead, look: Look = "light", width: Width = "narrow") -> Response:
        with web.reading() as session:
            found = kept_record(web, session, None)
        return _drawn(found, lead, ALL, look, width)

    @router.get("/sites/{site_id:number}/record/{lead}.svg")
    def picture_of_site(
        site_id: int, viewer: Looking, lead: Lead, look: Look = "light", width: Width = "narrow"
    ) -> Response:
        with web.reading() as session:
            seen = seen_site(session, site_id, viewer)
            found = kept_record(web, session, seen.row.id)
        return _drawn(found, lead, seen.row.name, look, width)

    @router.get("/record.csv")
    def table_over_all(viewer: SignedIn) -> Response:
        with web.reading() as session:
            text = record_csv(session, [row.id for row in sites_shown_to(session, viewer.person_id)])
        return _table(text, "duskbell-record.csv")

    @router.get("/sites/{site_id:number}/record.csv")
    def table_of_site(site_id: int, viewer: Looking) -> Response:
        with web.reading() as session:
            seen = seen_site(session, site_id, viewer)
            text = record_csv(session, [seen.row.id])
        return _table(text, f"duskbell-record-{site_id}.csv")

    return router


def show(
    web: Web, found: TrackRecord, lead: Lead | None, *, site: SiteRow | None, **values: object
) -> HTMLResponse:
    """The page of a record. lead: the one asked for."""
    view = view_record(found, lead, site.name if site else ALL)
    return web.page(
        "nights/record.html",
        200,
        view=view,
        site=site,
        unsure=found.unsure,
        credits=found.credits,
        nothing=say("track.no-record"),
        fewest=FEWEST_PAIRS,
        **values,
    )


def _table(text: str, name: str) -> Response:
    kept = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response(text, media_type="text/csv; charset=utf-8", headers=kept)


def _drawn(found: TrackRecord, lead: Lead, name: str, look: str, width: str) -> Response:
    record = found.records.get(lead)
    if record is None:
        raise NothingHere
    picture = draw_record(record, lead, name, PALETTES[look], width=WIDTHS[width])
    return Response(picture.svg, media_type="image/svg+xml", headers={"Cache-Control": PICTURE_KEPT})


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


def night_lines(session: Session, site_id: int) -> list[NightLine]:
    """The last judged windows at a site, the newest first."""
    lines = []
    for event, row, chance_pct, told_go in last_settled(session, site_id, Lead.EVENING, most=NIGHTS_SHOWN):
        outcome = read_outcome(row)
        lines.append(
            NightLine(
                name=event.night_name,
                said="" if chance_pct is None else f"{chance_pct} %",
                told_go=bool(told_go),
                came=say("track.state-word", state=row.state),
                judge="" if row.judge == NOBODY else say("track.judge", judge=row.judge),
                why=outcome.why,
                disagreement=outcome.disagreement,
            )
        )
    return lines
