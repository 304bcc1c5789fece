"""The first page of a fresh installation on a phone, without a script: from the printed link to a bell."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from service.app import build
from service.demo.play import ChatRoom
from tests.browser.conftest import SCREENS, Screen, open_context
from tests.browser.house import House, free_port, serving
from tests.browser.looking import axe_findings, visiting
from tests.integration.channels.mail_relays import Relay, running
from tests.integration.setup.test_setup_command import code_in

PHONE = Screen(390, 844, "light")


@pytest.fixture
def bare(tmp_path: Path, empty_store: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[House]:
    """As Duskbell stands after its first start; its feeds lead nowhere."""
    for name in [name for name in os.environ if name.startswith("DUSKBELL_") and "CHROM" not in name]:
        monkeypatch.delenv(name)
    port = free_port()
    for name, value in {
        "DATA_DIR": str(tmp_path),
        "WEB_PORT": str(port),
        "MET_NORWAY_URL": "http://127.0.0.1:9",
        "OPEN_METEO_URL": "http://127.0.0.1:9",
        "NWS": "false",
        "OFFICIAL_WARNINGS": "false",
    }.items():
        monkeypatch.setenv(f"DUSKBELL_{name}", value)
    shutil.copy(empty_store, tmp_path / "duskbell.sqlite3")
    duskbell = build()
    house = House(duskbell, duskbell.settings.public_url, ChatRoom(tmp_path), "", now=datetime.now(UTC))
    with serving(house, port):
        yield house
    duskbell.engine.dispose()


@pytest.mark.parametrize("scripts", [False, True], ids=["without a script", "with axe"])
def test_from_the_printed_link_to_a_bell_on_a_phone(chromium: Browser, bare: House, scripts: bool) -> None:
    relay = Relay()
    with (
        running(relay) as server,
        visiting(open_context(chromium, PHONE, scripts=scripts), bare) as visit,
    ):
        visit.go("/")
        assert visit.says("This Duskbell isn't set up yet")
        visit.sign_in()
        assert visit.page.url.endswith("/setup")
        form = visit.page.locator
        form("#mail").fill("you@example.org")
        form("form:has(#mail) button").first.click()
        assert visit.says("Kept. Below you say where it rings.")
        form("#contact").fill("you@example.org")
        assert form("[name=terms]:checked").count() == 0
        form("[name=terms][value=declared]").check()
        form("form:has(#contact) button").first.click()
        assert visit.says("They are told: you@example.org")
        form("#name").fill("Windpump Flat")
        form("#at").fill("40.31, -1.42")
        form("form:has(#at) button").first.click()
        assert visit.says("No feed answered for Windpump Flat.")
        form("#host").fill("127.0.0.1")
        form("#port").fill(str(server.port))
        form("#security").select_option("none")
        form("form:has(#host) button").first.click()
        assert visit.says("type the code that is in it")
        form("input[name=code]").fill(code_in(relay)())
        visit.press("Confirm")
        assert visit.says("you@example.org is confirmed, and it rings there.")
        assert visit.says("The next nights worth it at Windpump Flat")
        visit.press("Show it")
        assert form(".qr svg").count() == 1
        assert visit.complaints == []
        if scripts:
            visit.page.evaluate(
                "document.querySelectorAll('details').forEach((each) => { each.open = true; })"
            )
            assert axe_findings(visit.page) == []
            assert visit.sticks_out_px == 0


def test_it_looks_right_at_a_desk(chromium: Browser, bare: House) -> None:
    with visiting(open_context(chromium, SCREENS["desk, dark"]), bare) as visit:
        visit.sign_in()
        assert visit.says("Set Duskbell up")
        visit.page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        assert (axe_findings(visit.page), visit.sticks_out_px, visit.complaints) == ([], 0, [])
        assert re.search(r"\b1\. You\b", visit.page.inner_text("body"))
