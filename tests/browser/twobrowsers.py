"""Chromium and Firefox at a name that leads to this machine, as people reach a server at home.

Playwright drives only a Firefox of its own making; the one that people have is driven by Mozilla's driver.
"""

from __future__ import annotations

import os
import shutil
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from playwright.sync_api import Browser, Playwright

with warnings.catch_warnings():
    warnings.simplefilter("ignore", DeprecationWarning)  # of a module that the driver reads at import
    from marionette_driver import By, Wait
    from marionette_driver.errors import NoSuchElementException, StaleElementException
    from marionette_driver.marionette import Marionette

NAME = "stars.example"
"""No name of this machine, so that browsers trust it no more than any other (RFC 2606 keeps it free)."""
ELSEWHERE = "elsewhere.example"
FIREFOXES = ("firefox-esr", "firefox")
WITHIN_S = 20


class Walk(Protocol):
    """What somebody does with a browser."""

    def go(self, address: str) -> None: ...
    def press(self, name: str) -> None:
        """The button of that name; returns when the next page is there."""

    def fill(self, name: str, text: str) -> None:
        """The field of that name in the form."""

    def waits_for(self, words: str) -> bool:
        """Whether the words stand on the page within a while."""


class InChromium:
    def __init__(self, browser: Browser) -> None:
        self._page = browser.new_page()

    def go(self, address: str) -> None:
        self._page.goto(address)

    def press(self, name: str) -> None:
        with self._page.expect_navigation():
            self._page.get_by_role("button", name=name, exact=True).click()

    def fill(self, name: str, text: str) -> None:
        self._page.locator(f"[name={name}]").fill(text)

    def waits_for(self, words: str) -> bool:
        self._page.get_by_text(words).first.wait_for(timeout=WITHIN_S * 1000)
        return True


class InFirefox:
    def __init__(self, driver: Marionette) -> None:
        self._driver = driver

    def go(self, address: str) -> None:
        self._driver.navigate(address)

    def press(self, name: str) -> None:
        page = self._driver.find_element(By.TAG_NAME, "html")
        self._driver.find_element(By.XPATH, f"//button[normalize-space()='{name}']").click()
        Wait(self._driver, WITHIN_S).until(lambda _: self._is_gone(page))

    def _is_gone(self, page: object) -> bool:
        try:
            page.tag_name  # type: ignore[attr-defined]  # noqa: B018 - asked for its error
        except (StaleElementException, NoSuchElementException):
            return True
        return False

    def fill(self, name: str, text: str) -> None:
        field = self._driver.find_element(By.CSS_SELECTOR, f"[name={name}]")
        field.clear()
        field.send_keys(text)

    def waits_for(self, words: str) -> bool:
        Wait(self._driver, WITHIN_S, ignored_exceptions=[StaleElementException]).until(
            lambda driver: words in driver.find_element(By.TAG_NAME, "body").text
        )
        return True


@contextmanager
def chromium_walk(playwright: Playwright, named: str | None) -> Iterator[Walk]:
    arguments = [f"--host-resolver-rules=MAP {NAME} 127.0.0.1,MAP {ELSEWHERE} 127.0.0.1"]
    if os.geteuid() == 0:
        arguments.append("--no-sandbox")
    browser = playwright.chromium.launch(executable_path=named, args=arguments)
    yield InChromium(browser)
    browser.close()


@contextmanager
def firefox_walk(folder: Path) -> Iterator[Walk]:
    """The browser is $DUSKBELL_FIREFOX, else the first Firefox on the path."""
    named = os.environ.get("DUSKBELL_FIREFOX") or next(filter(None, map(shutil.which, FIREFOXES)), None)
    assert named, "a Firefox is needed: apt-get install firefox-esr"
    driver = Marionette(
        bin=named,
        headless=True,
        gecko_log=str(folder / "firefox.log"),
        # a page that scrolls slowly to a button isn't there yet when the driver looks for it
        prefs={"network.dns.localDomains": f"{NAME},{ELSEWHERE}", "ui.prefersReducedMotion": 1},
    )
    try:
        driver.start_session()
        yield InFirefox(driver)
    finally:
        driver.quit()
