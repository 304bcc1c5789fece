"""A real proxy on loopback that takes CONNECT and forwards plain http, or does as a test tells it."""

from __future__ import annotations

import base64
import contextlib
import select
import socket
import ssl
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from service.common.outbound_proxy import Proxy, read_proxy
from tests.integration.channels.channel_receivers import AUTHORITY, DATA

PATIENCE_S = 10.0
Script = Callable[[socket.socket, threading.Event], None]


@dataclass
class ProxyServer:
    """routes: host:port as asked for, to a port of this machine; all else has no connection (502).

    login: user:password that it wants. script: what to do in place of answering. tls: speak it to clients.
    asked: first lines of all requests; heads: their headers. called: ports that were connected to.
    """

    routes: Mapping[str, int] = field(default_factory=dict)
    login: str = ""
    script: Script | None = None
    tls: bool = False
    asked: list[str] = field(default_factory=list)
    heads: list[dict[str, str]] = field(default_factory=list)
    called: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._stopping = threading.Event()
        self._open: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._listen, daemon=True)]
        self._threads[0].start()

    def proxy(self, login: str = "", direct: tuple[str, ...] = ()) -> Proxy:
        """As the settings would name it, trusting the test's authority."""
        host = "localhost" if self.tls else "127.0.0.1"
        url = f"{'https' if self.tls else 'http'}://{login and login + '@'}{host}:{self.port}"
        return replace(read_proxy(url, direct), ca_file=AUTHORITY)

    def _listen(self) -> None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(DATA / "test-receiver.pem")
        while not self._stopping.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            thread = threading.Thread(target=self._serve, args=(connection, context), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket, context: ssl.SSLContext) -> None:
        with contextlib.suppress(OSError, ValueError), connection:
            connection.settimeout(PATIENCE_S)
            client = context.wrap_socket(connection, server_side=True) if self.tls else connection
            self._open.append(client)
            with client:
                self._answer(client)

    def _answer(self, client: socket.socket) -> None:
        head = b""
        while not head.endswith(b"\r\n\r\n"):
            byte = client.recv(1)
            if not byte:
                return
            head += byte
            if head == b"\x16":  # TLS, where none is spoken
                client.sendall(b"HTTP/1.1 400 Not HTTP\r\n\r\n")
                return
        first, *lines = head.decode("ascii").strip().split("\r\n")
        headers = dict(line.lower().split(": ", 1) for line in lines)
        self.asked.append(first)
        self.heads.append(dict(line.split(": ", 1) for line in lines))
        if self.script is not None:
            self.script(client, self._stopping)
            return
        wanted = "basic " + base64.b64encode(self.login.encode()).decode().lower()
        if self.login and headers.get("proxy-authorization") != wanted:
            body = b"x" * 100_000
            client.sendall(b"HTTP/1.1 407 Login\r\nContent-Length: 100000\r\n\r\n" + body)
            return
        method, target, _ = first.split(" ")
        place = target if method == "CONNECT" else target.split("/")[2]
        if place not in self.routes:
            client.sendall(b"HTTP/1.1 502 No\r\nContent-Length: 0\r\n\r\n")
            return
        port = self.routes[place]
        self.called.append(port)
        with socket.create_connection(("127.0.0.1", port)) as host:
            self._open.append(host)
            if method == "CONNECT":
                client.sendall(b"HTTP/1.1 200 Go ahead\r\n\r\n")
            else:
                path = "/" + target.split("/", 3)[3]
                host.sendall(head.replace(target.encode(), path.encode(), 1))
            _carry(client, host)

    def stop(self) -> None:
        self._stopping.set()
        for sock in (self._listener, *self._open):
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for thread in self._threads:
            thread.join(PATIENCE_S)
            assert not thread.is_alive(), "a proxy's thread outlived its test"


def _carry(client: socket.socket, host: socket.socket) -> None:
    """What either says to the other, until one ends; in one thread, as two may not use one TLS socket."""
    with contextlib.suppress(OSError, ValueError):
        while ready := _with_something_to_read(client, host):
            parts = [(source, source.recv(65_536)) for source in ready]
            for source, part in parts:
                (host if source is client else client).sendall(part)
            if not all(part for _, part in parts):
                break
    for sock in (client, host):
        with contextlib.suppress(OSError, ValueError):
            sock.shutdown(socket.SHUT_RDWR)


def _with_something_to_read(*sockets: socket.socket) -> list[socket.socket]:
    """Those that can be read now; TLS may hold what its socket has given already."""
    held = [each for each in sockets if isinstance(each, ssl.SSLSocket) and each.pending()]
    return held or select.select(sockets, [], [], PATIENCE_S)[0]


@contextmanager
def proxying(
    routes: Mapping[str, int] | None = None,
    *,
    login: str = "",
    script: Script | None = None,
    tls: bool = False,
) -> Iterator[ProxyServer]:
    server = ProxyServer(routes or {}, login, script, tls)
    try:
        yield server
    finally:
        server.stop()


def saying(content: bytes) -> Script:
    """Answer that, whatever was asked."""
    return lambda client, _: client.sendall(content)


def dripping(client: socket.socket, stopping: threading.Event) -> None:
    """The head of an answer, a byte at a time, that never ends."""
    client.sendall(b"HTTP/1.1 200 ")
    while not stopping.wait(0.02):
        client.sendall(b"x")


def endless(status: int) -> Script:
    """That status with a body that never ends."""

    def flood(client: socket.socket, stopping: threading.Event) -> None:
        client.sendall(f"HTTP/1.1 {status} No\r\n\r\n".encode())
        while not stopping.is_set():
            client.sendall(b"x" * 65_536)

    return flood


def hanging(client: socket.socket, _: threading.Event) -> None:
    client.recv(1)


def closed_port() -> int:
    """A port of this machine at which nobody listens."""
    with socket.create_server(("127.0.0.1", 0)) as closed:
        port: int = closed.getsockname()[1]
    return port
