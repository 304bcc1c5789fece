"""All that somebody can see of an installation: every GET route, with the values that its parts take."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from itertools import product
from typing import Any

from starlette.routing import Mount
from starlette.testclient import TestClient

NIGHTS = ("2027-07-03", "2027-07-04", "2027-12-21")
VALUES: Mapping[str, tuple[str, ...]] = {
    "site_id": ("1", "2"),
    "name": NIGHTS,
    "night": NIGHTS,
    "picture": ("night", "view", "panorama"),
    "lead": ("evening", "1_day"),
    "subscription_id": ("1", "2", "3"),
    "message_id": ("1",),
    "decision_id": ("1", "5"),
    "token": ("none",),
    "digest": ("none",),
    "ending": ("ics", "atom", "geojson"),
}
"""What a parameter of a route may be; a route with another one is not looked at, and the test says so."""
QUERIES: Mapping[str, tuple[str, ...]] = {
    "/sites/{site_id}/season": ("?year=2027", "?year=2031"),
    "/api/v1/sites/{site_id}/season": ("?year=2027",),
    "/compare": ("?from=2027-07-01&to=2027-08-30",),
    "/api/v1/compare": ("?from=2027-07-01&to=2027-08-30",),
}
_CHANCE = (
    re.compile(rb"/feeds/[\w-]+"),
    re.compile(rb"/(?:unsubscribe|how-was-it|manage|confirm|sign-in)/[\w-]+"),
    re.compile(rb'name="stamp"[^>]*'),
    re.compile(rb"SEQUENCE:\d+"),
    re.compile(rb"\bmsg_[a-z2-7]+"),
    re.compile(rb"\b[0-9a-f]{8}-[0-9a-f-]{27}\b|\b[0-9a-f]{32}\b"),
)
"""What is drawn by lot, made with a secret of the installation, or counted over all its rows: another each
time, and about no place."""


def get_paths(app: Any) -> list[str]:
    """The paths of all routes that answer a GET, the API's too, as the application itself lists them."""
    return sorted(set(_routes(app.routes, "")))


def _routes(routes: Iterable[Any], before: str) -> Iterator[str]:
    for route in routes:
        if hasattr(route, "original_router"):
            yield from _routes(route.original_router.routes, before)
        elif isinstance(route, Mount):
            yield from _routes(route.routes, before + route.path)
        elif "GET" in (route.methods or ()):
            yield before + re.sub(r"\{(\w+):\w+\}", r"{\1}", route.path)


def filled(path: str) -> Iterator[str]:
    """The path with each of the values that its parameters may have; KeyError for a parameter of no known
    values."""
    names = re.findall(r"\{(\w+)\}", path)
    for values in product(*(VALUES[name] for name in names)):
        one = path
        for name, value in zip(names, values, strict=True):
            one = one.replace(f"{{{name}}}", value)
        for query in ("", *QUERIES.get(path, ())):
            yield one + query


def see(browser: TestClient, app: Any, **headers: str) -> dict[str, bytes]:
    """Every answer, by its path, with nothing in it that is drawn by lot."""
    found = {}
    for path in get_paths(app):
        for each in filled(path):
            answer = browser.get(each, headers=headers, follow_redirects=False)
            if each == "/me/data.json" and answer.status_code == 200:
                found[each] = in_order(answer.json())
                continue
            text = f"{answer.status_code} {answer.headers.get('location', '')}\n".encode() + answer.content
            found[each] = without_lots(text)
    return found


def without_lots(content: bytes) -> bytes:
    for pattern in _CHANCE:
        content = pattern.sub(b"*", content)
    return content


def in_order(data: dict[str, list[dict[str, Any]]]) -> bytes:
    """All that is stored about somebody, without the numbers of rows."""
    tables = {
        name: sorted(without_lots(json.dumps(_unnumbered(row)).encode()) for row in rows)
        for name, rows in data.items()
    }
    return repr(tables).encode()


def _unnumbered(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if not re.search(r"(^|_)ids?$", name)}
