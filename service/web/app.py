"""The web application: every concern is a router of its own, listed here.

A router only reads the request, asks and answers. What a page says is built from rows and from `alerts` as
plain values in a module beside it, and a template lays it out. Pages read through sessions that can't write
(`store/engine.py`), forms write in one transaction; every form works without its script.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path

from fastapi import APIRouter, FastAPI
from starlette.middleware.gzip import GZipMiddleware

from alerts.common.phrases import say
from service.app import Duskbell
from service.web.account import mail_links, own_addresses, own_page, sign_in
from service.web.api import judge
from service.web.api import sites as api_sites
from service.web.api.models import ProblemModel
from service.web.error_pages import add_error_pages, add_problem_handlers
from service.web.feeds import routes as feeds_routes
from service.web.middleware import HEADERS, HSTS, BoundedBody, HeadAsGet, SameOrigin, WithHeaders
from service.web.nights import field_page, outcomes, record_page
from service.web.nights import page as night_page
from service.web.operator import bounce_hook, monitoring, outbox
from service.web.operator import pages as operator_pages
from service.web.setup import routes as setup_routes
from service.web.shared import assets
from service.web.shared.context import Web
from service.web.sites import compare_page, edit, home
from service.web.sites import page as site_page
from service.web.subscriptions import subscribe

ROUTERS = (
    assets.router,
    home.router,
    compare_page.router,
    feeds_routes.router,
    edit.router,
    site_page.router,
    night_page.router,
    field_page.router,
    outcomes.router,
    record_page.router,
    subscribe.router,
    own_page.router,
    own_addresses.router,
    operator_pages.router,
    setup_routes.router,
    outbox.router,
    sign_in.router,
    mail_links.router,
    monitoring.router,
    bounce_hook.router,
)
API_ROUTERS = (api_sites.router, judge.router)


def add_routes(app: FastAPI, routers: Iterable[APIRouter]) -> None:
    """Take the routes as they are: `include_router` would build each anew for every application."""
    for router in routers:
        app.router.routes.extend(router.routes)


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
    web = Web(duskbell, shown_at, is_open, arrived)

    @asynccontextmanager
    async def until_closed(_: FastAPI) -> AsyncIterator[None]:
        yield
        web.close()

    app = FastAPI(title="Duskbell", docs_url=None, redoc_url=None, openapi_url=None, lifespan=until_closed)
    app.state.web = web
    add_routes(app, ROUTERS)
    app.mount("/api/v1", build_api(web))
    add_error_pages(app, web)
    app.add_middleware(GZipMiddleware, minimum_size=1000)
    app.add_middleware(BoundedBody)
    app.add_middleware(SameOrigin, public_url=duskbell.settings.public_url)
    app.add_middleware(HeadAsGet)
    headers = {**HEADERS, "Strict-Transport-Security": HSTS} if duskbell.settings.web_hsts else HEADERS
    app.add_middleware(WithHeaders, headers=headers)  # the last added is the outermost
    return app


def build_api(web: Web) -> FastAPI:
    """The API as an application of its own: its faults are never pages."""
    api = FastAPI(
        title="Duskbell",
        version="1",
        description=say("web-api.about"),
        docs_url=None,
        redoc_url=None,
        openapi_url="/openapi.json",
    )
    api.state.web = web
    add_routes(api, API_ROUTERS)
    add_problem_handlers(api)

    # The shape of problem details goes into the OpenAPI document in place of FastAPI's own.
    build = api.openapi

    def openapi() -> dict[str, object]:
        if api.openapi_schema is None:
            document = build()
            schemas = document.setdefault("components", {}).setdefault("schemas", {})
            described = ProblemModel.model_json_schema(ref_template="#/components/schemas/{model}")
            schemas.update(described.pop("$defs", {}))
            schemas["ProblemModel"] = described
            document["servers"] = [{"url": "/api/v1"}]
        assert api.openapi_schema is not None, "just built"
        return api.openapi_schema

    api.openapi = openapi  # type: ignore[method-assign]  # FastAPI's documented way
    return api
