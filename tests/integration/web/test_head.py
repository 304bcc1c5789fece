"""Row 102: HEAD is answered as GET, by every page, by the API and by what monitors ask."""

from __future__ import annotations

import re

from fastapi.openapi.utils import get_openapi
from starlette.testclient import TestClient

from service.web.app import ROUTERS, build_api
from service.web.shared.assets import asset_url
from service.web.shared.context import Web
from tests.integration.pipeline.world import START, World

VALUES = {"site_id": "1", "name": "2027-07-03", "night": "2027-07-03", "subscription_id": "1"}
"""What stands in a path; whatever else is asked for there, nobody knows."""
CHANGING = frozenset({"date", "set-cookie", "etag"})
WELL = 25
"""At least so many of the paths lead to a page with these values."""


def paths_of(world: World) -> set[str]:
    """Every path that GET is answered at, as the application lists them."""
    web = Web(world.duskbell, START)
    pages = [route for router in ROUTERS for route in router.routes]
    api = get_openapi(title="", version="", routes=build_api(web).routes)["paths"]
    described = get_openapi(title="", version="", routes=pages)["paths"]
    return {
        *(path for path, ways in described.items() if "get" in ways),
        *(f"/api/v1{path}" for path, ways in api.items() if "get" in ways),
    }


def filled(path: str) -> str:
    return re.sub(r"\{(\w+)(:\w+)?\}", lambda match: VALUES.get(match[1], "x"), path)


def test_row_102_every_path_answers_head_as_get_without_a_body(
    played_world: World, played: TestClient
) -> None:
    paths = {asset_url("style.css"), "/api/v1/openapi.json", *map(filled, paths_of(played_world))}
    assert {"/", "/healthz", "/readyz", "/metrics", "/sites/1/season.svg", "/api/v1/sites"} <= paths
    well = 0
    for path in sorted(paths):
        asked, looked = (played.request(way, path, follow_redirects=False) for way in ("GET", "HEAD"))
        assert (path, looked.status_code) == (path, asked.status_code)
        assert (path, _headers(looked.headers)) == (path, _headers(asked.headers))
        assert looked.content == b""
        well += asked.status_code == 200
    assert well >= WELL


def _headers(headers: object) -> dict[str, str]:
    return {name: value for name, value in dict(headers).items() if name not in CHANGING}  # type: ignore[call-overload]


def test_row_102_what_takes_no_get_takes_no_head_and_says_what_it_takes(stranger: TestClient) -> None:
    assert stranger.head("/sign-out").status_code == 405
    assert stranger.head("/relay/bounces").status_code == 405
    assert stranger.put("/sign-in").headers["allow"].split(", ") == ["GET", "HEAD"]
