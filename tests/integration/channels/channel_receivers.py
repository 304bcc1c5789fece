"""Real receivers on loopback whose behaviour is a script, byte by byte where that matters."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

DATA = Path(__file__).parents[2] / "data/channels"
AUTHORITY = str(DATA / "test-authority.pem")
PATIENCE_S = 10.0

Script = Callable[["Talk"], None]


class Talk:
    """One connection, seen from the receiver."""

    def __init__(self, connection: socket.socket, stopping: threading.Event) -> None:
        self._connection = connection
        self._file = connection.makefile("rb")
        self._stopping = stopping

    def say(self, content: bytes) -> None:
        self._connection.sendall(content)

    def hear(self) -> bytes:
        """One line; empty when the other side has gone."""
        return self._file.readline()

    def hear_request(self) -> tuple[bytes, dict[str, str], bytes]:
        """An HTTP request: first line, headers with small letters, body."""
        first, headers = self.hear(), {}
        while (line := self.hear().strip()) != b"":
            name, _, value = line.decode("latin-1").partition(":")
            headers[name.lower()] = value.strip()
        return first.strip(), headers, self._file.read(int(headers.get("content-length", 0)))

    def hang(self) -> None:
        """Say nothing until the test ends or the other side goes."""
        with contextlib.suppress(OSError):
            self._connection.settimeout(PATIENCE_S)
            while not self._stopping.is_set() and self._connection.recv(1024):
                pass

    def drip(self, content: bytes, every_s: float = 0.05) -> None:
        """One byte at a time, for as long as anyone listens."""
        for number in content:
            if self._stopping.wait(every_s):
                return
            self.say(bytes([number]))

    def hang_up(self) -> None:
        """Break the connection at once, with a reset."""
        self._connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
        self.close()

    def close(self) -> None:
        self._file.close()
        self._connection.close()


class Receiver:
    """Serves each connection by the script, in threads of its own, until the block ends.

    names: TLS server names that were asked for.  connections: how many came.
    """

    def __init__(self, script: Script, *, tls: bool = False) -> None:
        self._script = script
        self._stopping = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._threads: list[threading.Thread] = []
        self._context = self._server_context() if tls else None
        self.names: list[str | None] = []
        self.connections = 0

    def _server_context(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(DATA / "test-receiver.pem")
        context.sni_callback = lambda _sock, name, _context: self.names.append(name)
        return context

    @property
    def place(self) -> str:
        return f"127.0.0.1:{self.port}"

    @property
    def url(self) -> str:
        return f"http://{self.place}/hook?to=night"

    def __enter__(self) -> Receiver:
        self._threads.append(threading.Thread(target=self._accept, daemon=True))
        self._threads[0].start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stopping.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for thread in self._threads:
            thread.join(PATIENCE_S)
            assert not thread.is_alive(), "a receiver's thread outlived its test"

    def _accept(self) -> None:
        while not self._stopping.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            thread = threading.Thread(target=self._serve, args=(connection,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError, ValueError):  # the client may go at any moment
            if self._context is not None:
                connection = self._context.wrap_socket(connection, server_side=True)
            talk = Talk(connection, self._stopping)
            try:
                self._script(talk)
            finally:
                talk.close()
        connection.close()
