"""Every router under service/web is one that the application takes its routes from."""

from __future__ import annotations

import pkgutil
from collections.abc import Iterator
from importlib import import_module

from fastapi import APIRouter

import service.web
from service.web.app import API_ROUTERS, ROUTERS


def routers() -> Iterator[tuple[str, APIRouter]]:
    for found in pkgutil.walk_packages(service.web.__path__, "service.web."):
        router = getattr(import_module(found.name), "router", None)
        if isinstance(router, APIRouter):
            yield found.name, router


def test_no_router_is_left_out() -> None:
    found = dict(routers())
    assert len(found) > 15
    assert [name for name, each in found.items() if each not in (*ROUTERS, *API_ROUTERS)] == []
