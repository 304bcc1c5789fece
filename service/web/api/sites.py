"""Sites, nights, seasons, records and comparisons as JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import BaseModel

from alerts.briefing.text.obstacle_text import values_of
from alerts.common.phrases import say
from alerts.judging.comparison import MOST_SITES, Order, tonight_at, usual_span
from service.hindsight.track_record import record_json
from service.reports.comparison_report import compared_json
from service.reports.night_json import night_report
from service.reports.ring_check import RingCheck
from service.reports.season_report import season_json
from service.web.api.models import (
    ComparedModel,
    ComparisonModel,
    NightModel,
    NightsModel,
    ObstacleModel,
    SiteModel,
    SitesModel,
    SpanModel,
)
from service.web.api.program_keys import Reader
from service.web.error_pages import documented
from service.web.feeds.routes import with_etag
from service.web.nights.judged_night import FIRST_YEAR, LAST_YEAR, ahead_of, ground_of, judged_night
from service.web.nights.record_page import kept_record
from service.web.shared.context import Here, Web
from service.web.shared.night_row import NightCell
from service.web.shared.site_rows import site_rows, watched_site
from service.web.shared.viewer import SeenSite, seen_site, visible_sites
from service.web.sites.compare_page import Comparison, compare_rows
from service.web.sites.page import watched_season

SiteId = Annotated[int, Path(ge=1, le=2**31 - 1)]
NIGHTS_COMPARED = 100


router = APIRouter()


@router.get("/sites", response_model=SitesModel, responses=documented(401, 403, 422, 429))
def sites(
    web: Here,
    request: Request,
    viewer: Reader,
    limit: Annotated[int, Query(ge=1, le=100)] = 50,
    after: Annotated[int, Query(ge=0, le=2**31 - 1, description=say("web-api.about-after"))] = 0,
) -> Response:
    """Your sites, and shared ones that you are told about, by id."""
    with web.reading() as session:
        visible = sorted(visible_sites(session, viewer), key=lambda seen: seen.row.id)
    rest = [seen for seen in visible if seen.row.id > after]
    items = [site_model(web, seen) for seen in rest[:limit]]
    more = f"/api/v1/sites?limit={limit}&after={items[-1].id}" if len(rest) > limit else None
    return answer(request, SitesModel(items=items, next=more))


@router.get("/sites/{site_id}", response_model=SiteModel, responses=documented(401, 403, 404, 422, 429))
def site(web: Here, request: Request, site_id: SiteId, viewer: Reader) -> Response:
    """One site."""
    with web.reading() as session:
        seen = seen_site(session, site_id, viewer)
        check = RingCheck(web.duskbell, session, web.now())
        found = check.of_site(seen.row.id, None if viewer.is_operator else viewer.person_id)
        said = values_of(found, site=seen.row.name, for_operator=viewer.is_operator)
        model = site_model(web, seen)
        return answer(
            request,
            model.model_copy(update={"obstacles": [ObstacleModel.model_validate(each) for each in said]}),
        )


@router.get(
    "/sites/{site_id}/nights", response_model=NightsModel, responses=documented(401, 403, 404, 422, 429)
)
def nights(web: Here, request: Request, site_id: SiteId, viewer: Reader) -> Response:
    """The coming fourteen nights at a site."""
    with web.reading() as session:
        watched = watched_site(session, site_id, viewer)
        row = site_rows(session, web.skies, [watched], web.now())[0]
    found = NightsModel(
        site=site_model(web, watched.seen),
        nights=[night_model(web, site_id, cell) for cell in row.cells],
    )
    return answer(request, found)


@router.get(
    "/sites/{site_id}/nights/{night}",
    response_model=dict[str, Any],
    responses=documented(400, 401, 403, 404, 422, 429),
)
def night(web: Here, request: Request, site_id: SiteId, night: date, viewer: Reader) -> Response:
    """One night with its windows, weather, verdict and reasons: the object of `tonight --json`."""
    with web.reading() as session:
        watched = watched_site(session, site_id, viewer)
        judged = judged_night(web, session, watched, night)
    report = night_report(
        replace(judged, ground=ground_of(web.skies, judged.site, judged.night)),
        judged.skies,
        ahead=ahead_of(web, judged),
        elevation_known=watched.seen.stored.elevation_known,
        is_decided=judged.decision is not None,
    )
    return answer(request, report)


@router.get(
    "/sites/{site_id}/season",
    response_model=dict[str, Any],
    responses=documented(400, 401, 403, 404, 422, 429),
)
def season(
    web: Here,
    request: Request,
    site_id: SiteId,
    viewer: Reader,
    year: Annotated[int, Query(ge=FIRST_YEAR, le=LAST_YEAR)],
) -> Response:
    """Every night of a year with a dark window, from the sky alone."""
    with web.reading() as session:
        watched = watched_site(session, site_id, viewer)
    found = watched_season(web.skies, watched, year)
    return answer(request, season_json(found, found.nights))


@router.get("/record", response_model=dict[str, Any], responses=documented(401, 403, 429))
def over_all(web: Here, request: Request, _: Reader) -> Response:
    """What was said against what came, over all sites: by lead, by model, and for other go limits."""
    with web.reading() as session:
        found = kept_record(web, session, None)
    return answer(request, record_json(None, found))


@router.get(
    "/sites/{site_id}/record",
    response_model=dict[str, Any],
    responses=documented(401, 403, 404, 422, 429),
)
def of_site(web: Here, request: Request, site_id: SiteId, viewer: Reader) -> Response:
    """The same for one site: the object of `duskbell record --json`."""
    with web.reading() as session:
        seen = seen_site(session, site_id, viewer)
        found = kept_record(web, session, seen.row.id)
    return answer(request, record_json(seen.row.name, found))


@router.get("/compare", response_model=ComparisonModel, responses=documented(400, 401, 403, 422, 429))
def compare(
    web: Here,
    request: Request,
    viewer: Reader,
    site: Annotated[list[int] | None, Query(max_length=MOST_SITES)] = None,
    first: Annotated[date | None, Query(alias="from")] = None,
    last: Annotated[date | None, Query(alias="to")] = None,
    sort: Annotated[Order, Query()] = Order.WORTH,
) -> Response:
    """The nights of several sites (all of yours unless named), by worth, chance, date or drive."""
    with web.reading() as session:
        visible = visible_sites(session, viewer)
        chosen = [seen for seen in visible if site is None or seen.row.id in site][:MOST_SITES]
        tonight = tonight_at((seen.stored.site for seen in chosen), web.now())
        span = usual_span(first, last, tonight)
        lines = compare_rows(web, session, viewer, Comparison(chosen, *span, sort))
    found = [
        ComparedModel(site_id=line.site_id, **compared_json(line.ranked)) for line in lines[:NIGHTS_COMPARED]
    ]
    more = max(0, len(lines) - NIGHTS_COMPARED)
    return answer(request, ComparisonModel(first=span[0], last=span[1], sort=sort, nights=found, more=more))


def answer(request: Request, values: BaseModel | dict[str, Any]) -> Response:
    """The values as JSON with an ETag, or 304."""
    if isinstance(values, BaseModel):
        content = values.model_dump_json().encode()
    else:
        content = json.dumps(values, ensure_ascii=False, allow_nan=False).encode()
    return with_etag(request, content, "application/json")


def site_model(web: Web, seen: SeenSite) -> SiteModel:
    """One's own site, or the copy of somebody else's."""
    row, site, is_own = seen.row, seen.stored.site, seen.is_own
    return SiteModel(
        id=row.id,
        name=row.name,
        zone=site.zone,
        lat=site.lat_deg,
        lon=site.lon_deg,
        rounded=not is_own,
        elevation_m=site.elevation_m if seen.stored.elevation_known else None,
        is_own=is_own,
        is_shared=row.is_shared,
        url=web.url(f"/sites/{row.id}"),
    )


def night_model(web: Web, site_id: int, cell: NightCell) -> NightModel:
    window = SpanModel(start=cell.window.start, end=cell.window.end) if cell.window else None
    return NightModel(
        night=cell.name,
        verdict=cell.verdict or None,
        chance_pct=cell.chance_pct,
        window=window,
        minutes=round(cell.minutes, 1),
        leave_by=cell.leave_by,
        drive_is_estimate=cell.leave_by is not None and cell.drive_is_estimate,
        why=str(cell.why or ""),
        url=web.url(f"/sites/{site_id}/nights/{cell.name}"),
    )
