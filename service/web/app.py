"""The web application: every concern is a router of its own, listed here."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from datetime import datetime
from pathlib import Path

from fastapi import APIRouter, FastAPI
from starlette.middleware.gzip import GZipMiddleware

from service.app import Duskbell
from service.web.account import mail_links, own_addresses, own_page, sign_in, sign_up
from service.web.api.app import build_api
from service.web.error_pages import add_error_pages
from service.web.feeds import routes as feeds_routes
from service.web.middleware import HEADERS, HSTS, BoundedBody, HeadAsGet, SameOrigin, WithHeaders
from service.web.nights import field_page, outcomes, record_page
from service.web.nights import routes as nights_routes
from service.web.operator import bounce_hook, healthz, metrics_page, outbox, pages
from service.web.response_cache import KeptPages
from service.web.setup import routes as setup_routes
from service.web.shared import assets
from service.web.shared.context import Web
from service.web.shared.path_types import add_numbers
from service.web.sites import compare_page, edit, home, import_places, page
from service.web.subscriptions import manage, subscribe

ROUTERS: tuple[Callable[[Web], APIRouter], ...] = (
    assets.build_router,
    home.build_router,
    compare_page.build_router,
    feeds_routes.build_router,
    import_places.build_router,
    edit.build_router,
    page.build_router,
    nights_routes.build_router,
    field_page.build_router,
    outcomes.build_router,
    record_page.build_router,
    subscribe.build_router,
    manage.build_router,
    own_page.build_router,
    own_addresses.build_router,
    pages.build_router,
    setup_routes.build_router,
    outbox.build_router,
    sign_in.build_router,
    sign_up.build_router,
    healthz.build_router,
    mail_links.build_router,
    metrics_page.build_router,
    bounce_hook.build_router,
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
