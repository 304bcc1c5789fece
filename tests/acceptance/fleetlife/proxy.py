"""A stoppable line between a process and its database: TCP on loopback to the server's Unix socket."""

from __future__ import annotations

import contextlib
import socket
import threading

LOOPBACK = "127.0.0.1"
CHUNK = 65536


class Line:
    """Forwards until it is cut. A cut line refuses and closes; a dead one takes everything and answers
    nothing, as when a machine in between has stopped."""

    def __init__(self, socket_path: str) -> None:
        self._socket_path = socket_path
        self._open: set[socket.socket] = set()
        self._is_cut = False
        self._flows = threading.Event()
        self._flows.set()
        self._listener = socket.create_server((LOOPBACK, 0), backlog=64)
        self.port: int = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, name="line", daemon=True).start()

    def cut(self) -> None:
        """End all connections, and each new one at once."""
        self._is_cut = True
        for each in list(self._open):
            _close(each)

    def go_dead(self) -> None:
        """Forward nothing more, and tell nobody."""
        self._flows.clear()

    def mend(self) -> None:
        self._is_cut = False
        self._flows.set()

    def close(self) -> None:
        self.cut()
        self._flows.set()
        _close(self._listener)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        if self._is_cut:
            _close(client)
            return
        server = socket.socket(socket.AF_UNIX)
        try:
            server.connect(self._socket_path)
        except OSError:
            _close(client)
            return
        self._open |= {client, server}
        for source, sink in ((client, server), (server, client)):
            threading.Thread(target=self._pump, args=(source, sink), daemon=True).start()

    def _pump(self, source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(CHUNK):
                self._flows.wait()
                sink.sendall(data)
        for each in (source, sink):
            self._open.discard(each)
            _close(each)


def _close(each: socket.socket) -> None:
    with contextlib.suppress(OSError):
        each.shutdown(socket.SHUT_RDWR)
    each.close()
