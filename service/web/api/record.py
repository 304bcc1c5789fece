"""The track record as JSON: of one site, and over all."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response

from service.hindsight.track_record import record_json
from service.web.api.program_keys import Reader
from service.web.api.sites import SiteId, answer
from service.web.nights.record_page import kept_record
from service.web.shared.context import Web
from service.web.shared.problems import documented
from service.web.shared.viewer import seen_site


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/record", response_model=dict[str, Any], responses=documented(401, 403, 429))
    def over_all(request: Request, _: Reader) -> Response:
        """What was said against what came, over all sites: by lead, by model, and for other go limits."""
        with web.reading() as session:
            found = kept_record(web, session, None)
        return answer(request, record_json(None, found))

    @router.get(
        "/sites/{site_id}/record",
        response_model=dict[str, Any],
        responses=documented(401, 403, 404, 422, 429),
    )
    def of_site(request: Request, site_id: SiteId, viewer: Reader) -> Response:
        """The same for one site: the object of `duskbell record --json`."""
        with web.reading() as session:
            seen = seen_site(session, site_id, viewer)
            found = kept_record(web, session, seen.row.id)
        return answer(request, record_json(seen.row.name, found))

    return router
