"""The API as an application of its own, mounted at /api/v1: its faults are never pages."""

from __future__ import annotations

from fastapi import FastAPI

from service.web.api import judge, sites
from service.web.api.models import ProblemModel
from service.web.error_pages import add_problem_handlers
from service.web.shared.context import Web

ABOUT = """Nights, verdicts and their reasons as JSON. Reading needs a key or a signed-in browser; `judge`
needs a key and has a quota. Times are UTC, angles degrees, and what is unknown is null. Answers carry an
ETag; ask with If-None-Match and an unchanged one costs nothing."""


def build_api(web: Web) -> FastAPI:
    api = FastAPI(
        title="Duskbell",
        version="1",
        description=ABOUT,
        docs_url=None,
        redoc_url=None,
        openapi_url="/openapi.json",
    )
    api.state.web = web
    for build_router in (sites.build_router, judge.build_router):
        api.include_router(build_router(web))
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
