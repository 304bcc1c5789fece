"""Serve the pages with uvicorn, with bounds on what a client can hold.

uvicorn's own time limit counts between two requests; before the first one it waits for ever. Here headers
have ten seconds to come, and when the server is nearly full, the connections whose request isn't there yet
make room, oldest first. How long a body may take is bounded further in (service/web/middleware.py).
"""

from __future__ import annotations

import asyncio

import uvicorn
from fastapi import FastAPI
from uvicorn.protocols.http.h11_impl import H11Protocol

CLIENTS_AT_MOST = 100
STOP_WITHIN_S = 20


def build_server(app: FastAPI, host: str, port: int) -> uvicorn.Server:
    """A server that isn't running yet; `run()` blocks until it is told to stop."""
    config = uvicorn.Config(
        app,
        host=host,
        port=port,
        http=patient_protocol(CLIENTS_AT_MOST),
        log_level="warning",
        access_log=False,
        limit_concurrency=CLIENTS_AT_MOST,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=STOP_WITHIN_S,
        server_header=False,
        # By default uvicorn believes X-Forwarded-For from this machine and from FORWARDED_ALLOW_IPS; here
        # only trusted_proxies are believed (service/web/shared/viewer.py).
        proxy_headers=False,
    )
    return uvicorn.Server(config)


def serve_pages(app: FastAPI, host: str, port: int) -> None:
    """Serve until SIGINT or SIGTERM."""
    build_server(app, host, port).run()


HEADERS_WITHIN_S = 10.0
SPARE = 10
"""Connections kept free below the server's limit, so that a request which comes whole finds room."""


class Unasked:
    """The connections of one server whose request isn't there yet, oldest first."""

    def __init__(self, at_most: int, headers_within_s: float) -> None:
        self._at_most = at_most
        self._headers_within_s = headers_within_s
        self._timers: dict[PatientProtocol, asyncio.TimerHandle] = {}

    def begin(self, connection: PatientProtocol) -> None:
        """From now on its headers are waited for."""
        if connection not in self._timers:
            loop = asyncio.get_running_loop()
            self._timers[connection] = loop.call_later(self._headers_within_s, connection.give_up)

    def make_room(self, open_now: int) -> None:
        """Let the oldest go when so many connections are open; never the newest, which has just come."""
        if open_now > self._at_most and len(self._timers) > 1:
            next(iter(self._timers)).give_up()

    def headers_came(self, connection: PatientProtocol) -> None:
        """Its body is on the way, and has a time limit of its own."""
        if connection in self._timers:
            self._timers[connection].cancel()

    def end(self, connection: PatientProtocol) -> None:
        """The request is there, or the connection is gone."""
        timer = self._timers.pop(connection, None)
        if timer is not None:
            timer.cancel()


class PatientProtocol(H11Protocol):
    """uvicorn's HTTP/1.1, with an end to its patience."""

    unasked: Unasked

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.unasked.begin(self)
        self.unasked.make_room(len(self.connections))

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.cycle is None or self.cycle.response_complete:
            self.unasked.begin(self)
        elif self.cycle.more_body:
            self.unasked.headers_came(self)
        else:
            self.unasked.end(self)

    def connection_lost(self, exc: Exception | None) -> None:
        self.unasked.end(self)
        super().connection_lost(exc)

    def give_up(self) -> None:
        """Close it; what it has sent is no request."""
        self.unasked.end(self)
        self.transport.close()


def patient_protocol(
    clients_at_most: int, headers_within_s: float = HEADERS_WITHIN_S
) -> type[PatientProtocol]:
    """The protocol for one server."""
    unasked = Unasked(clients_at_most - SPARE, headers_within_s)
    return type("ServersProtocol", (PatientProtocol,), {"unasked": unasked})
