"""The web application: every concern is a router of its own, listed here."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from fastapi import APIRouter, FastAPI, Request

from service.bootstrap import Duskbell
from service.web import assets, health, home
from service.web.context import Web

ROUTERS: tuple[Callable[[Web], APIRouter], ...] = (
    assets.build_router,
    home.build_router,
    health.build_router,
)
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; img-src 'self' data:; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}


def build_app(duskbell: Duskbell, *, started_at: datetime, shown_at: datetime | None = None) -> FastAPI:
    """The web application over a wired installation.

    shown_at: the `now` of an invented story that the page stands still at; None is the real one.
    """
    app = FastAPI(title="Duskbell", docs_url=None, redoc_url=None, openapi_url=None)
    web = Web(duskbell, started_at, shown_at)

    @app.middleware("http")
    async def _with_headers(request: Request, call_next):  # type: ignore[no-untyped-def]  # Starlette's own
        response = await call_next(request)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    for build_router in ROUTERS:
        app.include_router(build_router(web))
    return app
