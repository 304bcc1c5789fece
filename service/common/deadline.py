"""An end to what is asked of others: as a time to share, and as a timer that cuts the connection.

A socket's own timeout counts each read, so a peer that sends one byte a second holds its caller for ever: a
feed, a receiver and the mail relay alike. The timer keeps a duplicate of the socket's descriptor and shuts
that down: this ends the connection also while it is wrapped in TLS or handed to another object.
"""

from __future__ import annotations

import contextlib
import heapq
import itertools
import os
import socket
import threading
import time
from collections.abc import Callable
from types import TracebackType


class Deadline:
    """An end on the monotonic clock, `seconds` from now; changes of the wall clock don't move it."""

    def __init__(self, seconds: float, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._ends = monotonic() + seconds

    @property
    def remaining_s(self) -> float:
        """Seconds left, never below zero."""
        return max(0.0, self._ends - self._monotonic())

    @property
    def has_passed(self) -> bool:
        return self.remaining_s <= 0

    def at_most(self, seconds: float) -> Deadline:
        """The same deadline, or an earlier one `seconds` from now."""
        return Deadline(min(seconds, self.remaining_s), monotonic=self._monotonic)


class _Watchdog:
    """One thread for every timer of this process, however many run side by side."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._waiting: list[tuple[float, int, SocketTimer]] = []
        self._numbers = itertools.count()
        self._thread: threading.Thread | None = None

    def add(self, ends_at_s: float, timer: SocketTimer) -> None:
        with self._changed:
            heapq.heappush(self._waiting, (ends_at_s, next(self._numbers), timer))
            if self._thread is None or not self._thread.is_alive():  # not yet, or not in this process
                self._thread = threading.Thread(target=self._work, name="duskbell-deadlines", daemon=True)
                self._thread.start()
            elif self._waiting[0][2] is timer:
                self._changed.notify()

    def _work(self) -> None:
        """Cut each timer once its time is over; those that ended in time are passed over."""
        while True:
            with self._changed:
                while self._waiting and self._waiting[0][2].is_over:
                    heapq.heappop(self._waiting)
                left_s = self._waiting[0][0] - time.monotonic() if self._waiting else None
                if left_s is None or left_s > 0:
                    self._changed.wait(left_s)
                    continue
                timer = heapq.heappop(self._waiting)[2]
            timer.cut()


_WATCHDOG = _Watchdog()


class SocketTimer:
    """From `with SocketTimer(s)` on, entrusted sockets live for that long and no longer.

    connect_s: the longest wait for one connection. step_s: for one answer from then on.
    fired: whether the time ran out inside the block; a result reached after that can't be trusted.
    is_over: whether the block is left.
    """

    def __init__(self, whole_s: float, *, connect_s: float = 5.0, step_s: float = 10.0) -> None:
        self._whole_s, self.connect_s, self.step_s = whole_s, connect_s, step_s
        self._lock = threading.Lock()
        self._watched: list[socket.socket] = []
        self._ends_at = 0.0
        self.fired = False
        self.is_over = False

    def __enter__(self) -> SocketTimer:
        self._ends_at = time.monotonic() + self._whole_s
        _WATCHDOG.add(self._ends_at, self)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._lock:
            self.is_over = True
            self._close_all()

    @property
    def left_s(self) -> float:
        """Seconds left, never below a millisecond (0 would mean "don't block" to a socket)."""
        return max(0.001, self._ends_at - time.monotonic())

    def watch(self, sock: socket.socket) -> None:
        """Cut this connection when the time is over; at once if it already is."""
        with self._lock:
            self._watched.append(socket.socket(fileno=os.dup(sock.fileno())))  # TLS has no dup of its own
            if self.fired:
                self._shut_all()

    def let_go(self) -> None:
        """Watch none of the connections any longer: they go on to somebody else."""
        with self._lock:
            self._close_all()

    def cut(self) -> None:
        """End it now, unless its block is left already."""
        with self._lock:
            if not self.is_over:
                self.fired = True
                self._shut_all()

    def _close_all(self) -> None:
        for watched in self._watched:
            watched.close()
        self._watched.clear()

    def _shut_all(self) -> None:
        for watched in self._watched:
            with contextlib.suppress(OSError):  # the peer was faster
                watched.shutdown(socket.SHUT_RDWR)
