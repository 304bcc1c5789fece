"""/healthz: whether cycles still finish."""

from __future__ import annotations

from datetime import datetime, timedelta

from fastapi import APIRouter
from fastapi.responses import JSONResponse
from sqlalchemy.exc import SQLAlchemyError

from service.bootstrap import Duskbell
from service.store.cycles import last_finished
from service.web.context import Web

PERIODS_UNTIL_ILL = 2


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/healthz")
    def healthz() -> JSONResponse:
        return _health(web.duskbell, web.started_at)

    return router


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
