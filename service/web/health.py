"""Whether the service is well: /healthz for who restarts it, /readyz for who sends it requests."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import JSONResponse
from sqlalchemy.exc import SQLAlchemyError

from alerts.errors import DuskbellError
from service.bootstrap import Duskbell
from service.store.cycles import last_finished
from service.store.engine import require_writable
from service.store.migrate import require_current
from service.web.context import Web


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/healthz")
    def healthz() -> JSONResponse:
        return _health(web)

    @router.get("/readyz")
    def readyz() -> JSONResponse:
        return _readiness(web.duskbell)

    return router


def _health(web: Web) -> JSONResponse:
    """200 while cycles finish; 503 when none did for two periods, the newest finished ahead of the clock, or
    the store can't be read. By a session that only reads, which waits for no writer."""
    duskbell = web.duskbell
    try:
        with web.reading() as session:
            last = last_finished(session)
            why_ill = web.silence.why_ill(session, duskbell.settings.cycle_minutes)
    except SQLAlchemyError as error:
        return JSONResponse({"ok": False, "why": f"the store can't be read: {type(error).__name__}"}, 503)
    finished_at = last.finished_at if last else None
    answer: dict[str, object] = {
        "ok": not why_ill,
        "last_cycle_finished_at": finished_at.isoformat() if finished_at else None,
    }
    if why_ill:
        answer["why"] = why_ill
    return JSONResponse(answer, 503 if why_ill else 200)


def _readiness(duskbell: Duskbell) -> JSONResponse:
    """200 when requests can be served: the store has this version's tables and can be written."""
    try:
        require_current(duskbell.engine, create=False)
        require_writable(duskbell.engine)
    except (DuskbellError, SQLAlchemyError) as error:
        return JSONResponse({"ok": False, "why": type(error).__name__}, 503)
    return JSONResponse({"ok": True})
