"""Rows 100 and 101 in the browsers that people have: a server at home, reached by its name without https."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from service.demo.play import LOOPBACK
from tests.browser.conftest import find_chromium
from tests.browser.house import House, text_of
from tests.browser.twobrowsers import ELSEWHERE, NAME, Walk, chromium_walk, firefox_walk

pytestmark = [
    # The driver of Firefox leaves the sockets unclosed with which it looks for a free port.
    pytest.mark.filterwarnings("ignore:unclosed <socket:ResourceWarning"),
    pytest.mark.filterwarnings(
        "ignore:Exception ignored in. <socket:pytest.PytestUnraisableExceptionWarning"
    ),
]
FIELD = "/sites/1/nights/2027-07-03/field"


@pytest.fixture(params=["chromium", "firefox"])
def walk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Walk]:
    is_chromium = request.param == "chromium"
    started = request.getfixturevalue("playwright") if is_chromium else None
    with chromium_walk(started, find_chromium()) if is_chromium else firefox_walk(tmp_path) as walk:
        yield walk


def at_home(address: str) -> str:
    """The same page by the name that the machine has in its network."""
    parts = urlsplit(address)
    return parts._replace(netloc=f"{NAME}:{parts.port}").geturl()


def sign_in(walk: Walk, house: House) -> None:
    walk.go(at_home(house.owner_link()))
    walk.press("Sign in")


@contextmanager
def page_with_a_form(action: str) -> Iterator[int]:
    """Somebody else's page, which sends a form to `action`; its port."""

    class Page(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            body = f'<form method="post" action="{action}"><button>Win a lens</button></form>'.encode()
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None: ...

    server = ThreadingHTTPServer((LOOPBACK, 0), Page)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server.server_port
    server.shutdown()
    server.server_close()
    thread.join()


def test_row_100_forms_work_at_a_name_without_https(walk: Walk, house: House) -> None:
    sign_in(walk, house)
    assert walk.waits_for("No sites yet")
    walk.go(at_home(f"{house.address}/sites/new"))
    walk.fill("name", "Windpump Flat")
    walk.fill("at", "40.31, -1.42")
    walk.press("Show what it gives")
    assert walk.waits_for("What Windpump Flat would give")
    walk.press("Keep this site")
    assert walk.waits_for("Be told about this site")
    walk.go(at_home(f"{house.address}/me"))
    walk.press("Sign out")
    assert walk.waits_for("The sites kept here are private")


def test_row_100_whoever_is_subscribed_asks_for_a_link_and_signs_in(walk: Walk, house: House) -> None:
    from tests.browser.furnishing import furnish
    from tests.integration.pipeline.world import MAIL

    furnish(house)
    walk.go(at_home(f"{house.address}/sign-in"))
    walk.fill("email", MAIL)
    walk.press("Send me a link")
    house.deliver()
    assert "sign-in" in text_of(house.mails()[-1])
    walk.go(at_home(house.link_in_mail("sign-in")))
    walk.press("Sign in")
    assert walk.waits_for("Windpump Flat")


@pytest.mark.parametrize("host", [NAME, ELSEWHERE], ids=["another port of our name", "another site"])
def test_row_101_a_page_of_somebody_else_can_not_send_our_forms(host: str, walk: Walk, house: House) -> None:
    sign_in(walk, house)
    with page_with_a_form(at_home(f"{house.address}/me/sign-out-everywhere")) as port:
        walk.go(f"http://{host}:{port}/")
        walk.press("Win a lens")
        assert walk.waits_for("sent from another place")
    walk.go(at_home(f"{house.address}/me"))
    assert walk.waits_for("Sign out everywhere")


def test_row_100_the_field_page_says_that_it_is_not_kept_without_https(walk: Walk, lived_in: House) -> None:
    sign_in(walk, lived_in)
    walk.go(at_home(lived_in.address + FIELD))
    assert walk.waits_for("that takes an address with https")
