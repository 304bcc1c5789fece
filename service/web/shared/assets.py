"""Stylesheet, scripts and icon: our own files, named by their content so that browsers can keep them."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from fastapi import APIRouter, HTTPException, Response

_STATIC = Path(__file__).parents[1] / "static"
KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
FOREVER = "public, max-age=31536000, immutable"
A_DAY = "public, max-age=86400"


@cache
def read_asset(name: str) -> bytes:
    return (_STATIC / name).read_bytes()


@cache
def asset_url(name: str) -> str:
    """The address of an asset; another content has another address."""
    return f"/static/{hashlib.sha256(read_asset(name)).hexdigest()[:12]}/{name}"


@cache
def _known() -> frozenset[str]:
    return frozenset(path.name for path in _STATIC.iterdir() if path.suffix in KINDS)


router = APIRouter()


@router.get("/static/{digest}/{name}")
def static(digest: str, name: str) -> Response:
    if name not in _known():
        raise HTTPException(404)
    is_current = asset_url(name) == f"/static/{digest}/{name}"
    return _asset(name, FOREVER if is_current else "no-cache")


@router.get("/icon.svg")
def icon() -> Response:
    return _asset("icon.svg", A_DAY)


def _asset(name: str, keep: str) -> Response:
    return Response(read_asset(name), media_type=KINDS[Path(name).suffix], headers={"Cache-Control": keep})
