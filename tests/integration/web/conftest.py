"""One installation and a browser for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from service.web.app import build_app
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, World, open_world
from tests.integration.web.browsing import browsing, owner_browsing


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as world:
        yield world


@pytest.fixture
def stranger(world: World) -> Iterator[TestClient]:
    """A browser that isn't signed in, at the moment of the go."""
    with browsing(world, shown_at=GO_TIME) as browser:
        yield browser


@pytest.fixture
def owner(world: World) -> Iterator[TestClient]:
    """A browser of the operator, who owns the sites, at the moment of the go."""
    with owner_browsing(world, shown_at=GO_TIME) as browser:
        yield browser


@pytest.fixture(scope="module")
def played_world(tmp_path_factory: pytest.TempPathFactory, new_store: NewStore) -> Iterator[World]:
    """An installation after the cycles up to the go; for tests that leave its nights as they are."""
    folder = tmp_path_factory.mktemp("played")
    with open_world(folder, new_store(folder)) as world:
        for now in (START, ON_THE_DAY, GO_TIME):
            world.cycle(now)
        yield world


@pytest.fixture(scope="module")
def played_app(played_world: World) -> FastAPI:
    """Its pages; building them takes longer than most tests of what they say."""
    return build_app(played_world.duskbell, shown_at=GO_TIME)


@pytest.fixture
def played(played_world: World, played_app: FastAPI) -> Iterator[TestClient]:
    """A browser of the operator over that installation."""
    with owner_browsing(played_world, app=played_app) as browser:
        yield browser
