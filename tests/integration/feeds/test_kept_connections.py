"""Connections that are kept from one request to the next: quicker, and as safe as new ones."""

import os
import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

import pytest

from service.common.deadline import SocketTimer
from service.feeds.shared.checked_answers import BadAnswer, FeedDown, FeedRefused, FeedThrottled
from service.feeds.shared.guards import NoGuards
from service.feeds.shared.http_client import Limits, Request
from service.feeds.shared.watched_sockets import Connections, ConnectionUse, Route
from tests.integration.feeds.feed_data import SOON_S, quick_client
from tests.integration.feeds.feed_server import AUTHORITY, response, say, serving

OK = say(response(body=b'{"fine": true}', Connection=""))


def hang_up(talk):
    talk.hang_up()


def lines(server):
    """The connection that each request came over."""
    return [talk.line for talk in server.seen]


@pytest.mark.parametrize("certificate", [None, "server.pem"], ids=["http", "https"])
def test_requests_of_one_client_share_a_connection(certificate):
    client = quick_client(route=Route(ca_file=AUTHORITY))
    with serving(OK, certificate=certificate, keeps=True) as server, client:
        for _ in range(3):
            assert client.get(Request(server.url)).body == b'{"fine": true}'
    assert lines(server) == [1, 1, 1]


@pytest.mark.parametrize("status", [404, 429, 503])
def test_a_failure_that_the_feed_tells_keeps_its_connection(status):
    with serving(say(response(status, Connection="")), OK, keeps=True) as server, quick_client() as client:
        with pytest.raises((FeedDown, FeedRefused, FeedThrottled)):
            client.get(Request(server.url))
        client.get(Request(server.url))
    assert lines(server) == [1, 1]


def test_an_unchanged_answer_keeps_its_connection():
    unchanged = say(response(304, b"", Content_Length="", Connection=""))
    with serving(unchanged, OK, keeps=True) as server, quick_client() as client:
        assert client.get(Request(server.url)).not_modified
        client.get(Request(server.url))
    assert lines(server) == [1, 1]


def test_a_redirect_goes_over_the_same_connection():
    moved = say(response(301, b"", Location="/moved", Connection=""))
    with serving(moved, OK, keeps=True) as server, quick_client() as client:
        assert client.get(Request(f"{server.url}/points")).status == 200
    assert lines(server) == [1, 1]


def test_the_end_of_a_client_closes_what_it_kept():
    closed = threading.Event()

    def answer(talk):
        OK(talk)
        talk.connection.settimeout(5)
        if talk.connection.recv(1) == b"":
            closed.set()

    with serving(answer, keeps=True) as server:
        with quick_client() as client:
            client.get(Request(server.url))
        assert closed.wait(5)


def test_no_cookie_comes_back_with_the_next_request():
    giving = say(response(body=b"{}", Connection="", Set_Cookie="who=you; Path=/"))
    with serving(giving, OK, keeps=True) as server, quick_client() as client:
        client.get(Request(server.url))
        client.get(Request(server.url))
    assert lines(server) == [1, 1]
    assert "cookie" not in server.seen[1].headers


SLOW = [
    pytest.param(lambda talk: talk.hang(), id="row_146_silence"),
    pytest.param(lambda talk: talk.drip(response(body=b"x" * 500)), id="row_146_headers"),
    pytest.param(
        lambda talk: (talk.say(b"HTTP/1.1 200 OK\r\nContent-Length: 500\r\n\r\n"), talk.drip(b"x" * 500)),
        id="row_146_a_body",
    ),
]


@pytest.mark.parametrize("certificate", [None, "server.pem"], ids=["http", "https"])
@pytest.mark.parametrize("drip", SLOW)
def test_a_kept_connection_that_drips_is_cut_at_the_deadline(drip, certificate):
    client = quick_client(limits=Limits(5, 30, 1.0, tries=1), route=Route(ca_file=AUTHORITY))
    with serving(OK, drip, OK, certificate=certificate, keeps=True) as server, client:
        client.get(Request(server.url))
        began = time.monotonic()
        with pytest.raises(FeedDown, match="too long"):
            client.get(Request(server.url))
        assert time.monotonic() - began < SOON_S
        assert client.get(Request(server.url)).status == 200
    assert lines(server) == [1, 1, 2]


def test_row_146_a_flood_on_a_kept_connection_is_stopped_at_the_cap_and_its_rest_never_read():
    flood = lambda talk: (talk.say(b"HTTP/1.1 200 OK\r\n\r\n"), talk.flood(b"x" * 8192))  # noqa: E731
    with (
        serving(OK, flood, OK, keeps=True) as server,
        quick_client(limits=Limits(5, 5, 10, size=100_000, tries=1)) as client,
    ):
        client.get(Request(server.url))
        with pytest.raises(BadAnswer, match="more than 100,000 bytes"):
            client.get(Request(server.url))
        assert client.get(Request(server.url)).body == b'{"fine": true}'
    assert lines(server) == [1, 1, 2]


def test_row_146_the_end_of_an_attempt_cuts_nobody_who_took_its_connection_over():
    ended = threading.Event()

    def in_two_parts(talk):
        talk.say(b"HTTP/1.1 200 OK\r\nContent-Length: 14\r\n\r\n")
        assert ended.wait(5)
        talk.say(b'{"fine": true}')

    with serving(OK, in_two_parts, keeps=True) as server:
        connections = Connections()
        with SocketTimer(60) as first, SocketTimer(60) as second:
            with connections.get(server.url, None, {}, (1, 5), ConnectionUse(first)) as answer:
                assert answer.json() == {"fine": True}
            with connections.get(server.url, None, {}, (1, 5), ConnectionUse(second)) as answer:
                first.cut()
                ended.set()
                assert answer.json() == {"fine": True}
        connections.close()
    assert lines(server) == [1, 1]


class Counting(NoGuards):
    """Guards that count turns."""

    def __init__(self):
        self.turns = 0

    @contextmanager
    def turn(self, feed, weight, deadline):
        self.turns += 1
        yield


def test_row_145_a_kept_connection_closed_meanwhile_is_replaced_unseen():
    closing = threading.Event()

    def answer_and_go(talk):
        OK(talk)
        talk.hang_up()
        closing.set()

    with serving(answer_and_go, OK, keeps=True) as server, quick_client() as client:
        client.get(Request(server.url))
        assert closing.wait(5)
        assert client.get(Request(server.url)).status == 200
    assert lines(server) == [1, 2]


@pytest.mark.parametrize("certificate", [None, "server.pem"], ids=["http", "https"])
def test_row_145_a_kept_connection_closed_at_that_moment_is_replaced_once_and_counted(certificate):
    guards = Counting()
    client = quick_client(guards=guards, route=Route(ca_file=AUTHORITY))
    with serving(OK, hang_up, OK, certificate=certificate, keeps=True) as server, client:
        for _ in range(2):
            assert client.get(Request(server.url, feed="nws")).status == 200
    assert lines(server) == [1, 1, 2]
    assert guards.turns == 3


def test_row_145_the_second_asking_takes_no_kept_connection():
    """Another thread may have given one back meanwhile, which may be just as stale."""

    class Meanwhile(Counting):
        @contextmanager
        def turn(self, feed, weight, deadline):
            self.turns += 1
            if self.turns == 3:
                client.get(Request(server.url))
            yield

    client = quick_client(guards=Meanwhile())
    with serving(OK, hang_up, OK, OK, keeps=True) as server, client:
        for _ in range(2):
            assert client.get(Request(server.url, feed="nws")).status == 200
    assert lines(server) == [1, 1, 2, 3]


def test_row_145_who_hangs_up_on_a_new_connection_too_is_down():
    with serving(OK, hang_up, keeps=True) as server, quick_client() as client:
        client.get(Request(server.url))
        with pytest.raises(FeedDown, match="broke off"):
            client.get(Request(server.url))
    assert lines(server) == [1, 1, 2]


PARTLY = [
    pytest.param(b"HTTP/1.1 2", id="row_145_in_its_head"),
    pytest.param(b'HTTP/1.1 200 OK\r\nContent-Length: 900\r\n\r\n{"half": ', id="row_145_in_its_body"),
]


@pytest.mark.parametrize("part", PARTLY)
def test_an_answer_that_had_begun_is_not_asked_for_at_once(part):
    break_off = lambda talk: (talk.say(part), talk.hang_up())  # noqa: E731
    with serving(OK, break_off, OK, keeps=True) as server, quick_client() as client:
        client.get(Request(server.url))
        with pytest.raises(FeedDown, match="broke off"):
            client.get(Request(server.url))
    assert lines(server) == [1, 1]


@pytest.mark.parametrize("certificate", [None, "server.pem"], ids=["http", "https"])
def test_row_145_words_left_over_on_a_kept_connection_are_nobodys_answer(certificate):
    """More answers behind the first would be taken for those to the next questions. Of TLS they may wait in
    the library, where no look at the socket finds them."""
    sent = threading.Event()

    def often(talk):
        talk.say(response(body=b"1", Connection="") + response(body=b"forged", Connection="") * 250)
        sent.set()

    client = quick_client(route=Route(ca_file=AUTHORITY))
    with serving(often, OK, certificate=certificate, keeps=True) as server, client:
        client.get(Request(server.url))
        assert sent.wait(5)
        assert client.get(Request(server.url)).body == b'{"fine": true}'
    assert lines(server) == [1, 2]


def test_row_147_hosts_do_not_share_a_connection():
    with serving(OK, keeps=True) as server, quick_client() as client:
        client.get(Request(server.url))
        client.get(Request(server.url.replace("127.0.0.1", "localhost")))
        client.get(Request(server.url))
    assert lines(server) == [1, 2, 1]


def test_row_147_a_process_that_forked_leaves_its_parents_connections_alone(monkeypatch):
    with serving(OK, keeps=True) as server, quick_client() as client:
        client.get(Request(server.url))
        monkeypatch.setattr(os, "getpid", lambda: -1)
        client.get(Request(server.url))
    assert lines(server) == [1, 2]


def test_row_147_threads_get_their_own_answers():
    def echo(talk):
        talk.say(response(body=talk.path.encode(), Connection=""))

    with serving(echo, keeps=True) as server, quick_client(limits=Limits(5, 5, 10, tries=1)) as client:

        def ask(number):
            return client.get(Request(f"{server.url}/{number}")).body.decode()

        with ThreadPoolExecutor(4) as pool:
            assert list(pool.map(ask, range(60))) == [f"/{number}" for number in range(60)]
    assert server.lines <= 4


def test_a_small_request_leaves_at_once():
    with serving(OK, keeps=True) as server, SocketTimer(60) as watch:
        connections = Connections()
        with connections.get(server.url, None, {}, (1, 1), ConnectionUse(watch)) as answer:
            sock = answer.raw.connection.sock
            assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
            answer.json()
        connections.close()
