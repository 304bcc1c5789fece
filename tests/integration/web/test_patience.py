"""Row 66: clients that hold connections open and ask for nothing, over real sockets."""

from __future__ import annotations

import contextlib
import logging
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest
from fastapi import FastAPI, Request

from service.web import server as web_server
from service.web.app import build_app
from service.web.middleware import BodyTooSlow, BoundedBody
from service.web.server import CLIENTS_AT_MOST, build_server, patient_protocol
from tests.integration.pipeline.world import World

PATIENCE_S = 10.0
WITHIN_S = 0.4
WHOLE = b"GET / HTTP/1.1\r\nHost: here\r\n\r\n"


@pytest.fixture
def port(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """A server with the service's own bounds, but for less time; its parameter is that time in seconds."""
    within_s = getattr(request, "param", WITHIN_S)
    monkeypatch.setattr(web_server, "patient_protocol", lambda at_most: patient_protocol(at_most, within_s))
    app = FastAPI(exception_handlers={BodyTooSlow: _too_slow})
    app.add_middleware(BoundedBody, within_s=within_s)

    @app.get("/")
    def page() -> str:
        return "here"

    @app.post("/")
    async def take(request: Request) -> int:
        return len(await request.body())

    with _served(app) as port:
        yield port


@contextmanager
def _served(app: FastAPI) -> Iterator[int]:
    with _listening() as listener:
        server = build_server(app, "127.0.0.1", 0)
        thread = threading.Thread(target=lambda: server.run([listener]), daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        yield listener.getsockname()[1]
        server.should_exit = True
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


async def _too_slow(_request: Request, error: Exception) -> object:
    from starlette.responses import PlainTextResponse

    return PlainTextResponse(str(error), 408)


@contextmanager
def _listening() -> Iterator[socket.socket]:
    with socket.socket() as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", 0))
        yield listener


def connect(port: int, stack: ExitStack) -> socket.socket:
    return stack.enter_context(socket.create_connection(("127.0.0.1", port), PATIENCE_S))


def ask(port: int, request: bytes = WHOLE) -> bytes:
    """The status line of an answer."""
    with ExitStack() as stack:
        connection = connect(port, stack)
        connection.sendall(request)
        return connection.makefile("rb").readline()


def ends(connection: socket.socket) -> bool:
    """Whether the server closes it; fails after a while if it doesn't."""
    try:
        while connection.recv(1024):
            pass
    except ConnectionResetError:
        return True
    return True


@pytest.mark.parametrize(
    "said",
    [b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: here\r\nX-Slow: "],
    ids=["nothing", "half_a_line", "half_the_headers"],
)
def test_row_66_headers_that_do_not_come_end_the_connection(said: bytes, port: int) -> None:
    with ExitStack() as stack:
        connection = connect(port, stack)
        connection.sendall(said)
        began_s = time.monotonic()
        assert ends(connection)
        assert WITHIN_S * 0.9 < time.monotonic() - began_s < PATIENCE_S / 2


def test_row_66_headers_that_dribble_get_no_more_time_than_others(port: int) -> None:
    with ExitStack() as stack:
        connection = connect(port, stack)
        connection.settimeout(0.05)
        ends_s = time.monotonic() + PATIENCE_S / 2
        while not _closed(connection) and time.monotonic() < ends_s:
            with contextlib.suppress(ConnectionError):
                connection.sendall(b"X")
        assert time.monotonic() < ends_s
        assert ask(port).split()[1] == b"200"


def _closed(connection: socket.socket) -> bool:
    try:
        return connection.recv(1) == b""
    except TimeoutError:
        return False
    except ConnectionResetError:
        return True


def test_row_66_a_second_request_that_stays_half_ends_the_connection(port: int) -> None:
    with ExitStack() as stack:
        connection = connect(port, stack)
        connection.sendall(WHOLE)
        assert connection.recv(1024).startswith(b"HTTP/1.1 200")
        connection.sendall(b"GET / HTTP/1.1\r\nHo")
        began_s = time.monotonic()
        assert ends(connection)
        assert time.monotonic() - began_s < PATIENCE_S / 2


def test_row_66_a_body_that_does_not_come_is_answered_and_ended(port: int) -> None:
    half = b"POST / HTTP/1.1\r\nHost: here\r\nContent-Length: 10\r\n\r\nhalf"
    assert ask(port, half).split()[1] == b"408"


@pytest.mark.parametrize("port", [60.0], indirect=True)
def test_row_66_three_hundred_that_ask_for_nothing_keep_nobody_out(port: int) -> None:
    with ExitStack() as stack:
        idle = [connect(port, stack) for _ in range(3 * CLIENTS_AT_MOST)]
        for connection in idle[::2]:
            connection.sendall(b"POST / HTTP/1.1\r\nHost: here\r\nContent-Length: 99\r\n\r\n1")
        answers = {ask(port).split()[1] for _ in range(20)}
    assert answers == {b"200"}


@pytest.mark.parametrize("port", [60.0], indirect=True)
def test_a_request_in_pieces_that_comes_in_time_is_answered(port: int) -> None:
    with ExitStack() as stack:
        connection = connect(port, stack)
        for piece in (b"POST / HTTP/1.1\r\n", b"Host: here\r\nContent-Length: 2\r\n\r\n", b"o", b"k"):
            connection.sendall(piece)
            time.sleep(0.02)
        assert connection.recv(1024).startswith(b"HTTP/1.1 200")


def test_row_106_a_form_that_breaks_off_is_one_line_in_the_log(
    world: World, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    app = build_app(world.duskbell)
    origin = b"Host: here\r\nOrigin: http://here\r\nContent-Length: 99\r\n"
    kinds = (b"application/x-www-form-urlencoded", b"multipart/form-data; boundary=x", b"application/json")
    paths = (b"/sign-in", b"/sites/new", b"/relay/bounces", b"/api/v1/judge", b"/unsubscribe/a-secret-link")
    with _served(app) as port:
        for path in paths:
            for kind in kinds:
                with ExitStack() as stack:
                    connection = connect(port, stack)
                    connection.sendall(b"POST " + path + b" HTTP/1.1\r\n" + origin)
                    connection.sendall(b"Content-Type: " + kind + b"\r\n\r\nhalf")
                    connection.shutdown(socket.SHUT_WR)
                    assert ends(connection)
        assert ask(port, b"GET /sign-in HTTP/1.1\r\nHost: here\r\n\r\n").split()[1] == b"200"
    said = [record.getMessage() for record in caplog.records if record.name != "httpx2"]
    assert len(said) <= len(paths) * len(kinds)
    assert "a client broke off while it sent POST /sign-in" in said
    assert [record for record in caplog.records if record.exc_info] == []
    assert "a-secret-link" not in "".join(said)
