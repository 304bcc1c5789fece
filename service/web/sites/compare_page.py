"""Several sites over a span of dates, the best nights first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.field.trip_plan import with_home
from alerts.judging.comparison import (
    MOST_SITES,
    Order,
    RankedNight,
    rank,
    tonight_at,
    usual_span,
)
from alerts.wishes.model import DEFAULT_WISHES
from service.reports.comparison_report import compare_stored, compared_as_of, compared_assumed
from service.reports.default_reader import Usual
from service.store.schema.core_tables import PersonRow
from service.web.shared.context import Here, Web
from service.web.shared.site_rows import watched_sites
from service.web.shared.viewer import SeenSite, SignedIn, Viewer, visible_sites

NIGHTS_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Line:
    """One night of the ranking. drive: in words. clock_hours: 24 or 12, as the viewer wished here."""

    site_id: int
    ranked: RankedNight
    drive: str
    clock_hours: int = 24


router = APIRouter()


@router.get("/compare", response_class=HTMLResponse)
def show(
    web: Here,
    viewer: SignedIn,
    site: Annotated[list[int] | None, Query(max_length=MOST_SITES)] = None,
    first: Annotated[str, Query(alias="from", max_length=10)] = "",
    last: Annotated[str, Query(alias="to", max_length=10)] = "",
    sort: Annotated[Order, Query()] = Order.WORTH,
) -> HTMLResponse:
    now = web.now()
    lines: list[Line] = []
    more, fault = 0, ""
    with web.reading() as session:
        visible = visible_sites(session, viewer)
        chosen = [seen for seen in visible if site is None or seen.row.id in site][:MOST_SITES]
        tonight = tonight_at((seen.stored.site for seen in chosen), now)
        span = usual_span(None, None, tonight)
        try:
            span = usual_span(_day(first), _day(last), tonight)
            if chosen:
                asked = Comparison(chosen, *span, sort)
                found = compare_rows(web, session, viewer, asked)
                lines, more = found[:NIGHTS_SHOWN], max(0, len(found) - NIGHTS_SHOWN)
        except BadInput as refusal:
            fault = str(refusal)
    hours = min((line.clock_hours for line in lines), default=24)
    return web.page(
        "sites/compare.html",
        400 if fault else 200,
        viewer=viewer,
        sites=[seen.row for seen in visible],
        chosen={seen.row.id for seen in chosen},
        first=span[0],
        last=span[1],
        lines=lines,
        as_of=compared_as_of((line.ranked.each for line in lines), hours),
        assumed=compared_assumed(line.ranked.each for line in lines),
        more=more,
        sort=sort.value,
        orders=[order.value for order in Order],
        order_words=say("judging.order", order=sort),
        fault=fault,
    )


@dataclass(frozen=True, slots=True)
class Comparison:
    """What is compared: sites, from one night to another, in an order."""

    sites: Sequence[SeenSite]
    first: date
    last: date
    order: Order


def compare_rows(web: Web, session: Session, viewer: Viewer, asked: Comparison) -> list[Line]:
    """The ranking, each site by the wishes that are judged there for this viewer, with the drive from their
    home where nobody watches it."""
    home = session.get_one(PersonRow, viewer.person_id).home
    compared = []
    hours = {}
    for each in watched_sites(session, asked.sites, viewer):
        stored = each.seen.stored
        wishes = each.wishes or with_home(DEFAULT_WISHES, home, stored.site)
        compared.append(Usual(stored, wishes, each.watcher))
        hours[stored.site_id] = each.units.clock_hours
    numbers = {each.site: each.stored.site_id for each in compared}
    with web.skies.turns.turn():
        dates = asked.first, asked.last
        found = compare_stored(session, compared, dates, web.skies.ephemeris, web.now())
    return [
        Line(
            numbers[ranked.each.site],
            ranked,
            say("wishes.drive", drive=ranked.drive, is_estimate=ranked.is_estimate),
            hours[numbers[ranked.each.site]],
        )
        for ranked in rank(found, asked.order, {each.site: each.wishes for each in compared})
    ]


def _day(typed: str) -> date | None:
    if not typed:
        return None
    try:
        return date.fromisoformat(typed)
    except ValueError:
        raise BadInput(phrase("web-sites.not-a-date", typed=typed)) from None
