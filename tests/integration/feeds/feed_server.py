"""Real feed servers on 127.0.0.1 whose every byte is a script."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from tests.integration.feeds.feed_data import FILES

TLS = FILES / "tls"
AUTHORITY = str(TLS / "authority.pem")

Script = Callable[["Talk"], object]


@dataclass
class Talk:
    """One request as the server sees it, and ways to answer it. line: the number of its connection."""

    connection: socket.socket
    stopping: threading.Event
    path: str
    headers: dict[str, str]
    line: int = 0

    def hang_up(self) -> None:
        """End the connection without another word."""
        self.connection.shutdown(socket.SHUT_RDWR)

    def say(self, content: bytes) -> None:
        self.connection.sendall(content)

    def drip(self, content: bytes, every_s: float = 0.05) -> None:
        """A byte at a time, for as long as anyone listens."""
        for number in content:
            if self.stopping.wait(every_s):
                return
            self.say(bytes([number]))

    def flood(self, content: bytes) -> None:
        """The same again and again, for as long as anyone listens."""
        while not self.stopping.is_set():
            self.say(content)

    def hang(self) -> None:
        """Say nothing until the other side goes or the test ends."""
        with contextlib.suppress(OSError):
            self.connection.settimeout(10)
            while not self.stopping.is_set() and self.connection.recv(1024):
                pass


def response(status: int = 200, body: bytes = b"{}", **headers: str) -> bytes:
    """A whole HTTP answer; `Content_Type` becomes Content-Type, a header set to "" is left out.

    With `Connection=""` more requests are taken on the same connection.
    """
    named = {"Content-Length": str(len(body)), "Connection": "close"}
    named |= {name.replace("_", "-"): value for name, value in headers.items()}
    lines = [f"HTTP/1.1 {status} Told", *(f"{name}: {value}" for name, value in named.items() if value)]
    return "".join(f"{line}\r\n" for line in [*lines, ""]).encode() + body


def say(content: bytes) -> Script:
    return lambda talk: talk.say(content)


@dataclass
class FeedServer:
    """Answers its n-th request by the n-th script, and all further ones by the last. lines: connections."""

    scripts: Sequence[Script]
    certificate: str | None = None
    host: str = "127.0.0.1"
    keeps: bool = False
    seen: list[Talk] = field(default_factory=list)
    lines: int = 0

    def __post_init__(self) -> None:
        self._listener = socket.create_server((self.host, 0))
        self.port: int = self._listener.getsockname()[1]
        self._stopping = threading.Event()
        self._counting = threading.Lock()
        self._context = self._tls() if self.certificate else None
        self._threads = [threading.Thread(target=self._listen, daemon=True)]
        self._threads[0].start()

    def _tls(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(str(TLS / str(self.certificate)))
        return context

    @property
    def url(self) -> str:
        return f"{'https' if self.certificate else 'http'}://{self.host}:{self.port}"

    def _listen(self) -> None:
        while not self._stopping.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self.lines += 1
            thread = threading.Thread(target=self._serve, args=(connection, self.lines), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket, line: int) -> None:
        with contextlib.suppress(OSError), connection:
            wrapped = self._context.wrap_socket(connection, server_side=True) if self._context else connection
            with wrapped:
                while self._talk(wrapped, line):
                    pass

    def _talk(self, connection: socket.socket, line_number: int) -> bool:
        """Hear a request and answer it; whether another may come on that connection."""
        lines = []
        with connection.makefile("rb") as file:
            while (line := file.readline().strip()) != b"":
                lines.append(line.decode("latin-1"))
        if not lines or not lines[0].startswith("GET "):
            return False
        headers = dict(line.lower().split(": ", 1) for line in lines[1:])
        talk = Talk(connection, self._stopping, lines[0].split(" ")[1], headers, line_number)
        with self._counting:
            self.seen.append(talk)
            script = self.scripts[min(len(self.seen), len(self.scripts)) - 1]
        script(talk)
        return self.keeps and not self._stopping.is_set()

    def stop(self) -> None:
        self._stopping.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)  # wakes whoever waits in accept
        self._listener.close()
        for talk in self.seen:
            with contextlib.suppress(OSError):
                talk.connection.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(5)


@contextlib.contextmanager
def serving(
    *scripts: Script, certificate: str | None = None, host: str = "127.0.0.1", keeps: bool = False
) -> Iterator[FeedServer]:
    """keeps: connections stay open after an answer."""
    server = FeedServer(scripts, certificate, host, keeps)
    try:
        yield server
    finally:
        server.stop()
