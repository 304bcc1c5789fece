"""Rows 100 and 101: forms are taken from this site's own pages, wherever they are reached, from no others."""

from __future__ import annotations

import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from service.settings import is_loopback, origin_of
from service.web.middleware import SameOrigin

HOME, PROXIED, SECURED = "http://127.0.0.1:8765", "http://stars.example:8080", "https://stars.example"
V6 = "[2001:db8::7]:8765"

OURS = {
    "said by the browser": (HOME, {"Sec-Fetch-Site": "same-origin", "Origin": "null"}),
    "sent once more by hand": (HOME, {"Sec-Fetch-Site": "none"}),
    "a name at home": (HOME, {"Host": "stars.example:8765", "Origin": "http://stars.example:8765"}),
    "in capitals": (HOME, {"Host": "Stars.Example:8765", "Origin": "http://stars.example:8765"}),
    "the usual port unsaid": (HOME, {"Host": "stars.example:80", "Origin": "http://stars.example"}),
    "an address of the network": (HOME, {"Host": "192.0.2.7:8765", "Origin": "http://192.0.2.7:8765"}),
    "an IPv6 address": (HOME, {"Host": V6, "Origin": f"http://{V6}"}),
    "IPv6, the usual port": (HOME, {"Host": "[2001:db8::7]", "Origin": "http://[2001:db8::7]:80"}),
    "a proxy that drops the port, public_url set": (
        PROXIED, {"Host": "stars.example", "Origin": PROXIED},
    ),
    "a proxy that says the port beside": (
        HOME, {"Host": "stars.example", "X-Forwarded-Port": "8080", "Origin": PROXIED},
    ),
    "a proxy that asks under its own name": (
        HOME, {"Host": "web:8765", "X-Forwarded-Host": "stars.example:8080", "Origin": PROXIED},
    ),
    "two proxies": (
        HOME, {"Host": "web:8765", "X-Forwarded-Host": "stars.example:8080, inner", "Origin": PROXIED},
    ),
    "a proxy that ends https, public_url not set": (HOME, {"Host": "stars.example", "Origin": SECURED}),
    "a proxy that ends https": (SECURED, {"Host": "web:8765", "Origin": SECURED}),
    "https behind it, this machine itself": (SECURED, {"Host": "127.0.0.1:8765", "Origin": HOME}),
    "a browser that names only the page": (
        HOME, {"Host": "stars.example:8765", "Referer": "http://stars.example:8765/sign-in/abc"},
    ),
}  # fmt: skip


FOREIGN = {
    "another site": (HOME, {"Sec-Fetch-Site": "cross-site", "Origin": HOME}),
    "a sibling host": (HOME, {"Sec-Fetch-Site": "same-site", "Origin": HOME}),
    "another site, an old browser": (HOME, {"Host": "stars.example", "Origin": "http://evil.example"}),
    "another port of the same host": (HOME, {"Host": "stars.example:8765", "Origin": "http://stars.example"}),
    "a name that begins like ours": (
        HOME, {"Host": "stars.example", "Origin": "http://stars.example.evil.example"},
    ),
    "a name before a sign": (
        HOME, {"Host": "stars.example", "Referer": "http://stars.example@evil.example/"},
    ),
    "a page that hides itself": (HOME, {"Host": "stars.example", "Origin": "null"}),
    "one that hides, of a page like ours": (
        HOME, {"Host": "stars.example", "Origin": "null", "Referer": "http://stars.example/"},
    ),
    "no browser": (HOME, {"Host": "stars.example"}),
    "an origin that speaks for the page": (
        HOME, {"Host": "stars.example", "Origin": "http://evil.example", "Referer": "http://stars.example/"},
    ),
    "a page elsewhere, no origin": (HOME, {"Host": "stars.example", "Referer": "http://evil.example/x"}),
    "brackets that don't close": (HOME, {"Host": "[::1", "Origin": "http://[::1"}),
    "a port that is none": (HOME, {"Host": "stars.example:x", "Origin": "http://stars.example:x"}),
    "not of the web": (HOME, {"Host": "stars.example", "Origin": "moz-extension://stars.example"}),
    "our name without https": (SECURED, {"Host": "stars.example", "Origin": "http://stars.example"}),
}  # fmt: skip


def send(public_url: str, headers: dict[str, str]) -> tuple[int, str]:
    def took(_request: Request) -> PlainTextResponse:
        return PlainTextResponse("took it")

    app = Starlette(routes=[Route("/me", took, methods=["POST"])])
    with TestClient(SameOrigin(app, public_url=public_url), base_url=HOME) as client:
        answer = client.post("/me", headers=headers)
    return answer.status_code, answer.text


@pytest.mark.parametrize(("public_url", "headers"), OURS.values(), ids=OURS)
def test_row_100_a_form_of_our_own_is_taken(public_url: str, headers: dict[str, str]) -> None:
    assert send(public_url, headers) == (200, "took it")


@pytest.mark.parametrize(("public_url", "headers"), FOREIGN.values(), ids=FOREIGN)
def test_row_101_a_form_from_elsewhere_is_refused_in_words(public_url: str, headers: dict[str, str]) -> None:
    code, said = send(public_url, headers)
    assert code == 403
    assert "nothing was done" in said


def test_row_101_a_browser_that_says_nothing_is_told_what_to_let_it_say() -> None:
    assert "Let it send Origin or Referer" in send(HOME, {"Host": "stars.example", "Origin": "null"})[1]


def test_row_100_whoever_comes_without_https_is_told_where_they_stay_signed_in() -> None:
    said = send(SECURED, {"Host": "192.0.2.7:8765", "Origin": "http://192.0.2.7:8765"})
    assert said[0] == 403
    assert SECURED in said[1]


@pytest.mark.parametrize(
    ("host", "is_own"),
    [("127.0.0.1", True), ("127.9.9.9", True), ("::1", True), ("localhost", True), ("a.localhost", True),
     ("localhost.example", False), ("192.0.2.7", False), ("2001:db8::7", False), ("", False)],
)  # fmt: skip
def test_this_machine_itself_is_known_as_browsers_know_it(host: str, is_own: bool) -> None:
    assert is_loopback(host) is is_own


def test_an_origin_knows_the_usual_ports() -> None:
    assert origin_of("https://stars.example/x") == origin_of("https://STARS.example:443")
    assert origin_of("http://stars.example") != origin_of("https://stars.example:80")
