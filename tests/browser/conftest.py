"""A real Chromium, and a house for it to look at. Where none is found the tests fail; they are never skipped.

The browser is $DUSKBELL_CHROMIUM, else a Chromium on the path, else the one that playwright installed.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Playwright, sync_playwright

from service.store.engine import open_engine
from service.store.migrate import upgrade
from tests.browser.house import House, open_house
from tests.browser.looking import Visit, visiting
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START

ON_THE_PATH = ("chromium", "chromium-browser", "google-chrome")
NO_SANDBOX = ["--no-sandbox"]
"""Chromium's sandbox needs a user that isn't root; containers have only that one."""


@dataclass(frozen=True)
class Screen:
    """How somebody looks at the pages."""

    width_px: int
    height_px: int
    scheme: str


SCREENS = {
    "phone, light": Screen(360, 740, "light"),
    "phone, dark": Screen(360, 740, "dark"),
    "desk, light": Screen(1200, 900, "light"),
    "desk, dark": Screen(1200, 900, "dark"),
}


def find_chromium() -> str | None:
    """Where it lies; None leaves it to playwright."""
    return os.environ.get("DUSKBELL_CHROMIUM") or next(filter(None, map(shutil.which, ON_THE_PATH)), None)


@pytest.fixture(scope="session")
def playwright() -> Iterator[Playwright]:
    """One a process: a second one beside it is refused."""
    with sync_playwright() as started:
        yield started


@pytest.fixture(scope="session")
def chromium(playwright: Playwright) -> Iterator[Browser]:
    arguments = NO_SANDBOX if os.geteuid() == 0 else []
    browser = playwright.chromium.launch(executable_path=find_chromium(), args=arguments)
    yield browser
    browser.close()


def open_context(
    browser: Browser, screen: Screen, *, scripts: bool = True, motion: str = "reduce"
) -> BrowserContext:
    return browser.new_context(
        viewport={"width": screen.width_px, "height": screen.height_px},
        color_scheme=screen.scheme,  # type: ignore[arg-type]  # one of its words
        reduced_motion=motion,  # type: ignore[arg-type]  # one of its words
        java_script_enabled=scripts,
        locale="en-GB",
    )


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An SQLite file with all tables and no rows."""
    file = tmp_path_factory.mktemp("empty") / "store.sqlite3"
    engine = open_engine(f"sqlite:///{file}")
    upgrade(engine)
    engine.dispose()
    return file


@pytest.fixture
def house(tmp_path: Path, empty_store: Path) -> Iterator[House]:
    with open_house(tmp_path, empty_store) as house:
        yield house


@pytest.fixture(scope="session")
def lived_in(tmp_path_factory: pytest.TempPathFactory, empty_store: Path) -> Iterator[House]:
    """A house with three sites on a Saturday evening that is a go; for tests that only look."""
    from tests.browser.furnishing import furnish

    with open_house(tmp_path_factory.mktemp("lived-in"), empty_store, open_sign_up=True) as house:
        furnish(house)
        for now in (START, ON_THE_DAY, GO_TIME):
            house.cycle(now)
        yield house


@pytest.fixture
def desk(chromium: Browser, lived_in: House) -> Iterator[Visit]:
    """The owner, signed in at the lived-in house, at a desk."""
    with visiting(open_context(chromium, SCREENS["desk, light"]), lived_in) as visit:
        visit.sign_in()
        yield visit
