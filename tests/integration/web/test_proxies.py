"""Who is taken for the sender of a request: nobody is believed who isn't named."""

from __future__ import annotations

import socket
import threading
import time
from http.client import HTTPConnection
from ipaddress import ip_network

import pytest
from fastapi import FastAPI, Request

from service.settings import Settings
from service.web.server import build_server
from service.web.shared.viewer import client_behind

LOOPBACK = "127.0.0.1"
NEAR, FAR = ip_network("10.0.0.0/8"), ip_network("2001:db8:1::/48")


@pytest.mark.parametrize("environment", [None, "*", "127.0.0.1"])
def test_row_89_this_machine_is_no_proxy_unless_it_is_named(
    environment: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    if environment is not None:
        monkeypatch.setenv("FORWARDED_ALLOW_IPS", environment)  # uvicorn's own way round
    app = FastAPI()

    @app.get("/")
    def who(request: Request) -> list[str]:
        return [request.client.host if request.client else "", request.url.scheme]

    with socket.create_server((LOOPBACK, 0)) as listener:
        server = build_server(app, LOOPBACK, 0)
        thread = threading.Thread(target=lambda: server.run([listener]), daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        try:
            connection = HTTPConnection(*listener.getsockname(), timeout=10)
            said = {"X-Forwarded-For": "192.0.2.7", "X-Forwarded-Proto": "https"}
            connection.request("GET", "/", headers=said)
            answer = connection.getresponse().read()
            connection.close()
        finally:
            server.should_exit = True
            thread.join(10)
    assert answer == b'["127.0.0.1","http"]'


@pytest.mark.parametrize(
    ("peer", "hops", "client"),
    [
        ("127.0.0.1", ["192.0.2.7"], "127.0.0.1"),
        ("10.0.0.1", [], "10.0.0.1"),
        ("10.0.0.1", ["1.1.1.1", "192.0.2.7"], "192.0.2.7"),
        ("10.0.0.1", ["1.1.1.1", "192.0.2.7", "10.0.0.2"], "192.0.2.7"),
        ("10.0.0.1", ["192.0.2.7", "10.9.9.9"], "192.0.2.7"),
        ("2001:db8:1::5", ["2001:db8:2::9"], "2001:db8:2::9"),
        ("2001:db8:1::5", ["2001:db8:9::1", "10.0.0.2"], "2001:db8:9::1"),
        ("::ffff:10.0.0.1", ["192.0.2.7"], "192.0.2.7"),
        ("10.0.0.1", ["::ffff:192.0.2.7"], "192.0.2.7"),
        ("10.0.0.1", ["192.0.2.7:4711"], "192.0.2.7"),
        ("10.0.0.1", ["[2001:db8:2::9]:4711"], "2001:db8:2::9"),
        ("10.0.0.1", ["fe80::1%eth0"], "fe80::1"),
        ("10.0.0.1", ["1.1.1.1", "unknown"], "10.0.0.1"),
        ("10.0.0.1", ["made up", "10.0.0.2"], "10.0.0.2"),
        ("10.0.0.1", ["", " "], "10.0.0.1"),
        ("testclient", ["192.0.2.7"], "testclient"),
    ],
)
def test_row_89_hops_are_believed_from_the_nearest_proxy_outwards(
    peer: str, hops: list[str], client: str
) -> None:
    assert client_behind(peer, hops, (NEAR, FAR)) == client


def test_row_89_nobody_is_trusted_unless_the_operator_says_so() -> None:
    assert Settings().trusted_proxies == ()
