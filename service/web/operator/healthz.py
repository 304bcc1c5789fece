"""Whether the service is well: /healthz for who restarts it, /readyz for who sends it requests."""

from __future__ import annotations

import math
import threading
import time

from anyio import CapacityLimiter, to_thread
from fastapi import APIRouter
from fastapi.responses import JSONResponse
from sqlalchemy.exc import SQLAlchemyError

from alerts.common.errors import DuskbellError
from alerts.common.phrases import say
from service.app import Duskbell
from service.store.engine import require_room, require_writable
from service.store.migrate import require_current
from service.store.repositories.cycles import last_finished
from service.web.shared.context import Web

THREADS = 4
COMMIT_EVERY_S = 60.0
COMMIT_AGAIN_AFTER_S = 5.0


def build_router(web: Web) -> APIRouter:
    router = APIRouter()
    # Threads of their own: those that the pages share may all be at work.
    threads = CapacityLimiter(THREADS)
    readiness = _Readiness(web.duskbell)

    @router.get("/healthz")
    async def healthz() -> JSONResponse:
        return await to_thread.run_sync(health, web, limiter=threads)

    @router.get("/readyz")
    async def readyz() -> JSONResponse:
        return await to_thread.run_sync(readiness, limiter=threads)

    return router


def health(web: Web) -> JSONResponse:
    """200 while cycles finish; 503 when none did for two periods, the newest finished ahead of the clock, or
    the store can't be read. By a session that only reads, which waits for no writer."""
    duskbell = web.duskbell
    try:
        with web.reading() as session:
            last = last_finished(session)
            why_ill = web.silence.why_ill(session, duskbell.settings.cycle_minutes)
    except SQLAlchemyError as error:
        return JSONResponse(
            {"ok": False, "why": say("web-operator.store-unreadable", fault=type(error).__name__)}, 503
        )
    finished_at = last.finished_at if last else None
    answer: dict[str, object] = {
        "ok": not why_ill,
        "last_cycle_finished_at": finished_at.isoformat() if finished_at else None,
    }
    if why_ill:
        answer["why"] = why_ill
    return JSONResponse(answer, 503 if why_ill else 200)


class _Readiness:
    """200 when requests can be served: the store has this version's tables and takes rows.

    Whoever asks each second doesn't write each second: a row is committed once a minute, while it can't be
    every five seconds. Safe for threads.
    """

    def __init__(self, duskbell: Duskbell) -> None:
        self._duskbell = duskbell
        self._lock = threading.Lock()
        self._tried_at_s = -math.inf
        self._fault: DuskbellError | SQLAlchemyError | None = None

    def __call__(self) -> JSONResponse:
        try:
            require_current(self._duskbell.engine, create=False)
            require_room(self._duskbell.engine)
        except (DuskbellError, SQLAlchemyError) as error:
            return _not_ready(error)
        with self._lock:
            again_after_s = COMMIT_EVERY_S if self._fault is None else COMMIT_AGAIN_AFTER_S
            if time.monotonic() - self._tried_at_s >= again_after_s:
                self._fault = None
                try:
                    require_writable(self._duskbell.engine)
                except (DuskbellError, SQLAlchemyError) as error:
                    self._fault = error
                self._tried_at_s = time.monotonic()
            fault = self._fault
        return JSONResponse({"ok": True}) if fault is None else _not_ready(fault)


def _not_ready(fault: DuskbellError | SQLAlchemyError) -> JSONResponse:
    """By its kind alone: anybody may ask, and where the files lie is nobody's business."""
    return JSONResponse({"ok": False, "why": type(fault).__name__}, 503)
