"""A browser for tests: keeps cookies, says where its forms come from, and asks the app without a socket."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from fastapi import FastAPI
from starlette.testclient import TestClient

from service.accounts.access import make_owner_link
from service.app import Duskbell
from service.web.app import build_app
from tests.integration.pipeline.world import World

HOST = "http://127.0.0.1:8765"


@contextmanager
def browsing(
    world: World, *, shown_at: datetime | None = None, app: FastAPI | None = None
) -> Iterator[TestClient]:
    """A browser at the pages of that installation, signed in as nobody. app: pages that were built before."""
    app = app or build_app(world.duskbell, shown_at=shown_at)
    headers = {"Sec-Fetch-Site": "same-origin"}
    with TestClient(app, base_url=HOST, headers=headers) as browser:
        yield browser


def owner_path(duskbell: Duskbell) -> str:
    """The path of a fresh link for the operator."""
    with duskbell.sessions.begin() as session:
        return make_owner_link(session, duskbell.clock(), public_url="")


def sign_in_as_owner(browser: TestClient) -> None:
    answer = browser.post(owner_path(browser.app.state.web.duskbell), follow_redirects=False)
    assert answer.status_code == 303


@contextmanager
def owner_browsing(
    world: World, *, shown_at: datetime | None = None, app: FastAPI | None = None
) -> Iterator[TestClient]:
    """A browser of the operator, who owns the sites."""
    with browsing(world, shown_at=shown_at, app=app) as browser:
        sign_in_as_owner(browser)
        yield browser
