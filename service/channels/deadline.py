"""A whole-attempt deadline that cuts the connection, whatever the peer does.

A socket's own timeout counts each read, so a peer that sends one byte a second holds a send for ever.
The deadline keeps a duplicate of the socket's descriptor and shuts that down: this ends the connection
also while it is wrapped in TLS or handed to another object.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from types import TracebackType


class Deadline:
    """From `with Deadline(s)` on, entrusted sockets live for that long and no longer.

    fired: whether the time ran out inside the block; a result reached after that can't be trusted.
    """

    def __init__(self, whole_s: float) -> None:
        self._whole_s = whole_s
        self._lock = threading.Lock()
        self._watched: list[socket.socket] = []
        self._timer = threading.Timer(whole_s, self._cut)
        self._timer.daemon = True
        self._ends_at = 0.0
        self.fired = False

    def __enter__(self) -> Deadline:
        self._ends_at = time.monotonic() + self._whole_s
        self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timer.cancel()
        with self._lock:
            for watched in self._watched:
                watched.close()
            self._watched.clear()

    @property
    def left_s(self) -> float:
        """Seconds left, never below a millisecond (0 would mean "don't block" to a socket)."""
        return max(0.001, self._ends_at - time.monotonic())

    def watch(self, sock: socket.socket) -> None:
        """Cut this connection when the time is over; at once if it already is."""
        with self._lock:
            self._watched.append(sock.dup())
            if self.fired:
                self._shut_all()

    def _cut(self) -> None:
        with self._lock:
            self.fired = True
            self._shut_all()

    def _shut_all(self) -> None:
        for watched in self._watched:
            with contextlib.suppress(OSError):  # the peer was faster
                watched.shutdown(socket.SHUT_RDWR)
