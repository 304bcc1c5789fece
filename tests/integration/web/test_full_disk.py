"""Row 105: a full disk is noticed by who watches over the service."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest
from sqlalchemy import Engine, event

from service.store import engine as engines
from service.web.operator import monitoring
from tests.fulldisk import full_disk
from tests.integration.conftest import new_file
from tests.integration.pipeline.world import World, open_world
from tests.integration.web.browsing import browsing


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    """On an SQLite file, whose disk is this machine's."""
    with open_world(tmp_path, new_file(tmp_path)) as world:
        yield world


def test_row_105_readiness_commits_a_row_and_is_gone_while_none_is_taken(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(monitoring, "COMMIT_EVERY_S", 0.0)
    monkeypatch.setattr(monitoring, "COMMIT_AGAIN_AFTER_S", 0.0)
    with browsing(world) as monitor:
        assert monitor.get("/readyz").json() == {"ok": True}
        with full_disk():
            answer = monitor.get("/readyz")
        assert (answer.status_code, answer.json()) == (503, {"ok": False, "why": "StoreError"})
        assert monitor.get("/readyz").status_code == 200


def test_row_105_a_disk_that_is_nearly_full_is_told_before(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    with browsing(world) as monitor:
        assert monitor.get("/readyz").status_code == 200
        few = engines.LEAST_FREE_BYTES - 1
        monkeypatch.setattr(engines.shutil, "disk_usage", lambda _folder: SimpleNamespace(free=few))
        assert monitor.get("/readyz").status_code == 503


def test_row_105_who_asks_often_writes_seldom(world: World) -> None:
    with browsing(world) as monitor, commits_of(world.duskbell.engine) as commits:
        for _ in range(20):
            assert monitor.get("/readyz").status_code == 200
    assert len(commits) == 1


@contextmanager
def commits_of(engine: Engine) -> Iterator[list[int]]:
    """One entry for each commit of a change."""
    found: list[int] = []

    def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        if statement.startswith("UPDATE"):
            found.append(1)

    event.listen(engine, "after_cursor_execute", note)
    try:
        yield found
    finally:
        event.remove(engine, "after_cursor_execute", note)
