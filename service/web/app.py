"""The page and /healthz."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, PlainTextResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from sqlalchemy.exc import SQLAlchemyError

from service.bootstrap import Duskbell
from service.store.cycles import last_finished
from service.web.overview import build_overview

_HERE = Path(__file__).parent
PERIODS_UNTIL_ILL = 2
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
    pages = Environment(
        loader=FileSystemLoader(_HERE / "templates"), autoescape=True, undefined=StrictUndefined
    )
    style = (_HERE / "static" / "style.css").read_text(encoding="utf-8")

    @app.middleware("http")
    async def _with_headers(request: Request, call_next):  # type: ignore[no-untyped-def]  # Starlette's own
        response = await call_next(request)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    @app.get("/", response_class=HTMLResponse)
    def home() -> HTMLResponse:
        now = shown_at or duskbell.clock()
        with duskbell.sessions() as session:
            overview = build_overview(session, now)
        page = pages.get_template("home.html").render(
            overview=overview, invented=duskbell.invented, has_relay=bool(duskbell.settings.smtp_host)
        )
        return HTMLResponse(page)

    @app.get("/style.css")
    def stylesheet() -> Response:
        return PlainTextResponse(style, media_type="text/css", headers={"Cache-Control": "max-age=3600"})

    @app.get("/healthz")
    def healthz() -> JSONResponse:
        return _health(duskbell, started_at)

    return app


def _health(duskbell: Duskbell, started_at: datetime) -> JSONResponse:
    """200 while cycles finish; 503 when none did for two periods, or when the store can't be read."""
    try:
        with duskbell.sessions() as session:
            last = last_finished(session)
    except SQLAlchemyError as error:
        return JSONResponse({"ok": False, "why": f"the store can't be read: {type(error).__name__}"}, 503)
    finished_at = last.finished_at if last else None
    silent = duskbell.clock() - max(finished_at or started_at, started_at)
    ok = silent <= PERIODS_UNTIL_ILL * timedelta(minutes=duskbell.settings.cycle_minutes)
    answer: dict[str, object] = {
        "ok": ok,
        "last_cycle_finished_at": finished_at.isoformat() if finished_at else None,
    }
    if not ok:
        answer["why"] = f"no cycle finished for {round(silent / timedelta(minutes=1))} minutes"
    return JSONResponse(answer, 200 if ok else 503)
