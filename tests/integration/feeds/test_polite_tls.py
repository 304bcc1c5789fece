"""The client and certificates: whatever proves nothing ends the talk before it begins."""

import socket
import time

import pytest

from service.feeds.shared.checked_answers import FeedDown, FeedRefused
from service.feeds.shared.http_client import Request
from service.feeds.shared.watched_sockets import Route
from tests.integration.feeds.feed_data import QUICK, SOON_S, quick_client
from tests.integration.feeds.feed_server import AUTHORITY, response, say, serving

OK = say(response(body=b'{"fine": true}'))

CERTIFICATES = [
    pytest.param("self-signed.pem", "127.0.0.1", AUTHORITY, id="row_33_self_signed"),
    pytest.param("expired.pem", "127.0.0.1", AUTHORITY, id="row_33_expired"),
    pytest.param("server.pem", "127.0.0.2", AUTHORITY, id="row_33_wrong_name"),
    pytest.param("server.pem", "127.0.0.1", None, id="row_33_unknown_authority"),
]


@pytest.mark.parametrize(("certificate", "host", "authority"), CERTIFICATES)
def test_a_certificate_that_proves_nothing_ends_the_talk(certificate, host, authority):
    encrypted = serving(OK, certificate=certificate, host=host)
    with encrypted as server, pytest.raises(FeedDown, match="certificate that can't be trusted"):
        quick_client(route=Route(ca_file=authority)).get(Request(server.url))
    assert server.seen == []


def test_row_33_a_downgrade_to_plain_http_is_not_followed():
    with serving(OK) as plain:
        moving = say(response(301, b"", Location=plain.url))
        encrypted = serving(moving, certificate="server.pem")
        with encrypted as server, pytest.raises(FeedRefused, match="redirects elsewhere"):
            quick_client(route=Route(ca_file=AUTHORITY)).get(Request(server.url))
    assert plain.seen == []


def test_row_33_a_server_without_tls_is_no_https_server():
    with serving(OK) as server, pytest.raises(FeedDown):
        quick_client(limits=QUICK).get(Request(server.url.replace("http://", "https://")))


def test_a_trusted_certificate_is_talked_to():
    with serving(OK, certificate="server.pem") as server:
        assert quick_client(route=Route(ca_file=AUTHORITY)).get(Request(server.url)).body == b'{"fine": true}'


def test_row_21_slow_drip_over_tls_ends_at_the_deadline():
    began = time.monotonic()
    drip = lambda talk: talk.drip(response(body=b"x" * 500))  # noqa: E731
    with serving(drip, certificate="server.pem") as server, pytest.raises(FeedDown, match="too long"):
        quick_client(route=Route(ca_file=AUTHORITY), limits=QUICK).get(Request(server.url))
    assert time.monotonic() - began < SOON_S


def test_row_21_a_tls_greeting_that_never_comes_ends_at_the_deadline():
    with socket.create_server(("127.0.0.1", 0)) as silent:
        began = time.monotonic()
        with pytest.raises(FeedDown):
            quick_client(limits=QUICK).get(Request(f"https://127.0.0.1:{silent.getsockname()[1]}/"))
    assert time.monotonic() - began < SOON_S
