"""The first page."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from service.web.context import Web
from service.web.overview import build_overview


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/", response_class=HTMLResponse)
    def home() -> HTMLResponse:
        with web.duskbell.sessions() as session:
            overview = build_overview(session, web.now())
        return web.page("home.html", overview=overview, has_relay=bool(web.duskbell.settings.smtp_host))

    return router
