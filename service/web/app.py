"""The web application: every concern is a router of its own, listed here."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from datetime import datetime
from pathlib import Path

from fastapi import APIRouter, FastAPI
from starlette.middleware.gzip import GZipMiddleware

from service.bootstrap import Duskbell
from service.web import (
    addresses,
    assets,
    comparepage,
    feeds,
    fieldpage,
    health,
    home,
    links,
    managing,
    me,
    metrics,
    night,
    operator,
    outbox,
    outcomes,
    record,
    relay,
    setup,
    signin,
    signup,
    site,
    siteedit,
    siteimport,
    subscribe,
)
from service.web.api.app import build_api
from service.web.context import Web
from service.web.errorpages import add_error_pages
from service.web.kept import KeptPages
from service.web.numbers import add_numbers
from service.web.security import HEADERS, HSTS, BoundedBody, HeadAsGet, SameOrigin, WithHeaders

ROUTERS: tuple[Callable[[Web], APIRouter], ...] = (
    assets.build_router,
    home.build_router,
    comparepage.build_router,
    feeds.build_router,
    siteimport.build_router,
    siteedit.build_router,
    site.build_router,
    night.build_router,
    fieldpage.build_router,
    outcomes.build_router,
    record.build_router,
    subscribe.build_router,
    managing.build_router,
    me.build_router,
    addresses.build_router,
    operator.build_router,
    setup.build_router,
    outbox.build_router,
    signin.build_router,
    signup.build_router,
    health.build_router,
    links.build_router,
    metrics.build_router,
    relay.build_router,
)


def build_app(
    duskbell: Duskbell,
    *,
    shown_at: datetime | None = None,
    is_open: bool = False,
    arrived: Path | None = None,
) -> FastAPI:
    """The web application over a wired installation.

    shown_at: the `now` of an invented story that the pages stand still at; None is the real one.
    is_open: whoever looks is the operator; ValueError unless all is invented.
    arrived: folder with what the story's receivers were sent; None: the outbox of the settings is shown.
    """
    add_numbers()
    web = Web(duskbell, shown_at, is_open, arrived)
    app = FastAPI(title="Duskbell", docs_url=None, redoc_url=None, openapi_url=None, lifespan=_until(web))
    app.state.web = web
    for build_router in ROUTERS:
        app.include_router(build_router(web))
    app.mount("/api/v1", build_api(web))
    add_error_pages(app, web)
    app.add_middleware(GZipMiddleware, minimum_size=1000)
    app.add_middleware(KeptPages, store_version=web.store_version, now=web.now)
    app.add_middleware(BoundedBody)
    app.add_middleware(SameOrigin, public_url=duskbell.settings.public_url)
    app.add_middleware(HeadAsGet)
    app.add_middleware(WithHeaders, headers=_headers(duskbell))  # the last added is the outermost
    return app


def _headers(duskbell: Duskbell) -> dict[str, str]:
    if duskbell.settings.web_hsts:
        return {**HEADERS, "Strict-Transport-Security": HSTS}
    return HEADERS


def _until(web: Web) -> Callable[[FastAPI], AbstractAsyncContextManager[None]]:
    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        web.close()

    return lifespan
