"""The stylesheet."""

from __future__ import annotations

from pathlib import Path

from fastapi import APIRouter, Response
from fastapi.responses import PlainTextResponse

from service.web.context import Web

_STATIC = Path(__file__).parent / "static"


def build_router(web: Web) -> APIRouter:
    router = APIRouter()
    style = (_STATIC / "style.css").read_text(encoding="utf-8")

    @router.get("/style.css")
    def stylesheet() -> Response:
        return PlainTextResponse(style, media_type="text/css", headers={"Cache-Control": "max-age=3600"})

    return router
