"""The first page and /healthz, served by a real server."""

from __future__ import annotations

import gc
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import requests

from service.app import ALLOCATIONS_BETWEEN
from service.cli.service import PortTaken, require_free_port
from service.demo.play import LOOPBACK
from service.web.app import build_app
from service.web.server import build_server
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, World, open_world
from tests.integration.web.browsing import owner_path

PATIENCE_S = 60


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as world:
        yield world


@pytest.fixture
def address(world: World) -> Iterator[str]:
    app = build_app(world.duskbell, shown_at=GO_TIME)
    server = build_server(app, LOOPBACK, 0)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    port = server.servers[0].sockets[0].getsockname()[1]
    yield f"http://{LOOPBACK}:{port}"
    server.should_exit = True
    thread.join(PATIENCE_S)


@pytest.fixture
def owner(world: World, address: str) -> Iterator[requests.Session]:
    with requests.Session() as browser:
        browser.headers["Origin"] = address
        assert browser.post(f"{address}{owner_path(world.duskbell)}", timeout=PATIENCE_S).ok
        yield browser


def test_the_collector_of_reference_cycles_rests_while_it_serves(address: str) -> None:
    assert gc.get_threshold()[0] == ALLOCATIONS_BETWEEN


def test_before_the_first_cycle_the_page_says_what_comes_next(owner: requests.Session, address: str) -> None:
    assert "the first cycle is still to come" in owner.get(address, timeout=PATIENCE_S).text


def test_the_page_shows_the_verdict_and_when_to_leave(
    world: World, owner: requests.Session, address: str
) -> None:
    for now in (START, ON_THE_DAY, GO_TIME):
        world.cycle(now)
    answer = owner.get(address, timeout=PATIENCE_S)
    assert "Go tonight: Windpump Flat" in answer.text
    assert "Leave by <strong>21:11 CEST</strong>" in answer.text
    assert "Everything here is invented" in answer.text
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]


def test_a_stranger_sees_nothing_of_a_private_site(world: World, address: str) -> None:
    world.cycle(START)
    page = requests.get(address, timeout=PATIENCE_S).text
    assert "Windpump Flat" not in page
    assert "example.org" not in page


def test_healthz_is_well_after_a_cycle_and_ill_after_two_silent_periods(world: World, address: str) -> None:
    world.cycle(START)
    assert requests.get(f"{address}/healthz", timeout=PATIENCE_S).json()["ok"] is True
    world.wall += timedelta(minutes=61)
    answer = requests.get(f"{address}/healthz", timeout=PATIENCE_S)
    assert answer.status_code == 503
    assert "No cycle has finished for 61 minutes" in answer.json()["why"]


def test_row_102_after_head_a_connection_goes_on(address: str) -> None:
    with requests.Session() as monitor:
        for path in ("/healthz", "/", "/readyz"):
            looked, asked = (ask(address + path, timeout=PATIENCE_S) for ask in (monitor.head, monitor.get))
            assert (looked.status_code, looked.content) == (200, b"")
            assert looked.headers["Content-Length"] == asked.headers["Content-Length"]


def test_a_taken_port_is_told_with_the_setting_that_changes_it(address: str) -> None:
    port = int(address.rpartition(":")[2])
    with pytest.raises(PortTaken, match="DUSKBELL_WEB_PORT"):
        require_free_port(LOOPBACK, port)
