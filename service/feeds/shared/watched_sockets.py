"""Connections to feeds that are kept from one request to the next, each request under a timer of its own.

`timeout=` of requests and urllib3 counts from one received byte to the next, so a server that sends a byte
a second holds a caller for ever. Here each attempt has a timer: at its end the connection that the attempt
uses, new or kept, is shut down, whatever it is waiting for. A connection belongs to one attempt at a time and
is let go before anybody else can take it, so no attempt's end cuts another's answer.

They are kept for one round of questions: a request then takes 0.6 to 0.7 ms of processor time, 3.5 to 4 over
a new connection (tests/bench/connections.py). By the next cycle feeds have closed them.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, cast
from urllib.parse import urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.exceptions import ConnectTimeoutError, NameResolutionError, NewConnectionError
from urllib3.poolmanager import PoolManager, ProxyManager

from service.common.connect import connect_first, has_unread, look_up, open_tunnel, secure, trusting
from service.common.deadline import SocketTimer
from service.common.outbound_proxy import Proxy


@dataclass(frozen=True, slots=True)
class Route:
    """The way out: by a proxy or not. ca_file: trust this authority instead of the system's, for a server of
    one's own."""

    proxy: Proxy | None = None
    ca_file: str | None = None


STRAIGHT = Route()


@dataclass
class ConnectionUse:
    """One request on its way. may_be_kept: whether a kept connection will do; was_kept: whether one did."""

    timer: SocketTimer
    may_be_kept: bool = True
    was_kept: bool = False


_current: ContextVar[ConnectionUse] = ContextVar("attempt")


class Connections(HTTPAdapter):
    """All connections of one client: one proxy, one set of authorities, no cookies, nothing of the
    environment. Safe to use from several threads; `close` when done."""

    def __init__(self, route: Route = STRAIGHT) -> None:
        self._proxy = route.proxy
        self._pools = _pools(route.proxy, route.ca_file)
        super().__init__(max_retries=0)

    @contextmanager
    def get(
        self,
        url: str,
        params: Mapping[str, str] | None,
        headers: Mapping[str, str],
        timeout: tuple[float, float],
        attempt: ConnectionUse,
    ) -> Iterator[requests.Response]:
        """The answer, whose body is still to be read, of one GET; redirects are answers."""
        request = requests.Request("GET", url, params=params, headers=headers).prepare()
        token = _current.set(attempt)
        try:
            # plain http is handed to the proxy whole, as most allow CONNECT to port 443 alone
            parts, through, proxy = urlsplit(request.url or ""), {}, self._proxy
            if proxy is not None and parts.scheme == "http" and proxy.leads_to(parts.hostname or ""):
                through = {"http": proxy.place}
            with self.send(request, stream=True, timeout=timeout, proxies=through) as response:
                yield response
        finally:
            _current.reset(token)

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, **kwargs)
        self.poolmanager: PoolManager
        self.poolmanager.pool_classes_by_scheme = self._pools

    def proxy_manager_for(self, *args: Any, **kwargs: Any) -> ProxyManager:
        manager: ProxyManager = super().proxy_manager_for(*args, **kwargs)
        manager.pool_classes_by_scheme = self._pools
        return manager

    def proxy_headers(self, proxy: str) -> dict[str, str]:
        return self._proxy.authorization if self._proxy else {}


class _WatchedConnection(HTTPConnection):
    """A connection that knows whose it is now."""

    attempt: ConnectionUse


def _pools(proxy: Proxy | None, ca_file: str | None) -> dict[str, type[HTTPConnectionPool]]:
    class PlainConnection(_WatchedConnection):
        def _new_conn(self) -> socket.socket:
            return _connect(self, self.attempt.timer, None)  # the proxy itself, where one forwards

    class TlsConnection(_WatchedConnection, HTTPSConnection):
        def _new_conn(self) -> socket.socket:
            return _connect(self, self.attempt.timer, None if self.proxy else proxy)

        def connect(self) -> None:
            """By our authorities, read once: the library would read its own list for each connection, or
            change the context that others use too. Where the proxy forwards, TLS ends there."""
            context = trusting(proxy.ca_file if self.proxy and proxy else ca_file)
            self.sock = secure(self._new_conn(), context, self.host.strip("[]").rstrip("."))
            self.is_verified = True

    class PlainPool(_KeepingPool, HTTPConnectionPool):
        ConnectionCls = PlainConnection

    class TlsPool(_KeepingPool, HTTPSConnectionPool):
        ConnectionCls = TlsConnection

    return {"http": PlainPool, "https": TlsPool}


class _KeepingPool(HTTPConnectionPool):
    """Hands a connection to an attempt, and takes it back."""

    def _get_conn(self, timeout: float | None = None) -> Any:
        """A kept connection if there is one that nobody closed, else one that will open."""
        attempt, connection = _current.get(), cast(_WatchedConnection, super()._get_conn(timeout))
        # what was read beyond the last answer would be taken for the next
        if connection.sock is not None and (not attempt.may_be_kept or has_unread(connection.sock)):
            connection.close()
        connection.attempt = attempt
        if connection.sock is not None:
            attempt.was_kept = True
            attempt.timer.watch(connection.sock)
        return connection

    def _put_conn(self, conn: Any) -> None:
        if conn is not None:
            cast(_WatchedConnection, conn).attempt.timer.let_go()
        super()._put_conn(conn)


def _connect(connection: HTTPConnection, timer: SocketTimer, proxy: Proxy | None) -> socket.socket:
    """A connected, watched socket: through the proxy where it leads to the host (it then looks up the name
    itself), else to the first of the host's addresses that answers."""
    host, port = connection.host.strip("[]"), connection.port
    if proxy is not None and proxy.leads_to(host):
        return open_tunnel(proxy, host, port, timer)
    try:
        found = look_up(host, port, min(timer.connect_s, timer.left_s))
    except TimeoutError as error:
        raise ConnectTimeoutError(connection, host) from error
    except OSError as error:
        raise NameResolutionError(host, connection, socket.gaierror(str(error))) from error
    try:
        return connect_first(found, timer)[0]
    except TimeoutError as error:
        raise ConnectTimeoutError(connection, host) from error
    except OSError as error:
        raise NewConnectionError(connection, host) from error
