"""Sockets that a watchdog can close: the adapter under the polite client.

`timeout=` of requests and urllib3 counts from one received byte to the next, so a server that sends a
byte a second holds a caller for ever. Here each attempt has a `Watch`: at its end the watch shuts down
every socket the attempt uses, whatever it is waiting for. The name lookup, which no socket option can
end, runs beside the caller and is given up at the same moment.
"""

from __future__ import annotations

import contextlib
import os
import queue
import socket
import threading
from typing import Any

from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.exceptions import ConnectTimeoutError, NameResolutionError, NewConnectionError
from urllib3.poolmanager import PoolManager, ProxyManager

from service.feeds.deadline import Deadline


class Watch:
    """Closes the sockets of one attempt when its time is up; use as a context manager.

    has_expired: the time ran out. Whatever the attempt then seems to have got is cut off.
    """

    def __init__(self, deadline: Deadline) -> None:
        self.deadline = deadline
        self.has_expired = False
        self._sockets: list[socket.socket] = []
        self._lock = threading.Lock()
        self._timer = threading.Timer(deadline.remaining_s, self._expire)
        self._timer.daemon = True

    def __enter__(self) -> Watch:
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()
        with self._lock:
            for sock in self._sockets:
                sock.close()
            self._sockets.clear()

    def guard(self, sock: socket.socket) -> None:
        """Watch this socket. Kept as a copy of its handle, as TLS takes the original over."""
        copy = socket.socket(fileno=os.dup(sock.fileno()))
        with self._lock:
            self._sockets.append(copy)
            if self.has_expired:
                _shut_down(copy)

    def _expire(self) -> None:
        with self._lock:
            self.has_expired = True
            for sock in self._sockets:
                _shut_down(sock)


def _shut_down(sock: socket.socket) -> None:
    with contextlib.suppress(OSError):  # the other side may have closed it already
        sock.shutdown(socket.SHUT_RDWR)


class WatchedAdapter(HTTPAdapter):
    """An adapter for one attempt, all of whose connections are under one watch."""

    def __init__(self, watch: Watch) -> None:
        self._pools = _watched_pools(watch)
        super().__init__(max_retries=0)

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, **kwargs)
        self.poolmanager: PoolManager
        self.poolmanager.pool_classes_by_scheme = self._pools

    def proxy_manager_for(self, *args: Any, **kwargs: Any) -> ProxyManager:
        manager: ProxyManager = super().proxy_manager_for(*args, **kwargs)
        manager.pool_classes_by_scheme = self._pools
        return manager


def _watched_pools(watch: Watch) -> dict[str, type[HTTPConnectionPool]]:
    class WatchedConnection(HTTPConnection):
        def _new_conn(self) -> socket.socket:
            return _connect(self, watch)

    class WatchedTlsConnection(HTTPSConnection):
        def _new_conn(self) -> socket.socket:
            return _connect(self, watch)

    class WatchedPool(HTTPConnectionPool):
        ConnectionCls = WatchedConnection

    class WatchedTlsPool(HTTPSConnectionPool):
        ConnectionCls = WatchedTlsConnection

    return {"http": WatchedPool, "https": WatchedTlsPool}


def _connect(connection: HTTPConnection, watch: Watch) -> socket.socket:
    """A connected, guarded socket to the first of the host's addresses that answers."""
    host, port = connection.host.strip("[]"), connection.port
    connecting = watch.deadline.at_most(_connect_seconds(connection))
    failure: OSError | None = None
    for family, kind, protocol, _, address in _look_up(connection, host, port, connecting):
        sock = socket.socket(family, kind, protocol)
        try:
            for option in connection.socket_options or ():
                sock.setsockopt(*option)
            watch.guard(sock)
            sock.settimeout(max(0.001, connecting.remaining_s))
            sock.connect(address)
        except OSError as error:
            sock.close()
            failure = error
        else:
            return sock
    if isinstance(failure, TimeoutError):
        raise ConnectTimeoutError(connection, f"no connection to {host}") from failure
    raise NewConnectionError(connection, f"no connection to {host}") from failure


def _connect_seconds(connection: HTTPConnection) -> float:
    timeout = connection.timeout
    return float(timeout) if isinstance(timeout, int | float) else 5.0


_Address = tuple[int, int, int, str, Any]


def _look_up(connection: HTTPConnection, host: str, port: int, deadline: Deadline) -> list[_Address]:
    """The host's addresses, from a thread of its own that is left behind when time runs out."""
    answers: queue.SimpleQueue[list[_Address] | OSError | UnicodeError] = queue.SimpleQueue()

    def ask() -> None:
        try:
            answers.put(list(socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)))
        except (OSError, UnicodeError) as error:
            answers.put(error)

    threading.Thread(target=ask, daemon=True, name=f"look-up-{host}").start()
    try:
        answer = answers.get(timeout=max(0.001, deadline.remaining_s))
    except queue.Empty:
        raise ConnectTimeoutError(connection, f"no address for {host} in time") from None
    if isinstance(answer, list):
        return answer
    cause = answer if isinstance(answer, socket.gaierror) else socket.gaierror(str(answer))
    raise NameResolutionError(host, connection, cause) from answer
