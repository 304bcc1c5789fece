"""Other processes of this machine that work things out for the one that writes.

They only read: each has sessions of its own that can't change the database, and gives back plain values. They
are started afresh (`spawn`), ignore Ctrl-C, which their parent answers, and end with it however it ends.

Not a writer in each: SQLite has one, and a lock held while thinking would stop the pages. Not threads, which
share one interpreter.
"""

from __future__ import annotations

import gc
import logging
import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from multiprocessing.connection import wait
from types import TracebackType
from typing import Any, Self, TypeVar

from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session, sessionmaker

from alerts.sky.ephemeris import Ephemeris
from service.app import ALLOCATIONS_BETWEEN
from service.common.kept_sky import open_ephemeris
from service.store.engine import open_engine, reading_sessions

T = TypeVar("T")
R = TypeVar("R")
log = logging.getLogger(__name__)

AT_MOST = 4
"""By default no more than this, and no more than there are processors."""
AHEAD = 2
"""Tasks under way or done for each process, so that none waits for the writer and memory stays bounded."""


@dataclass
class WorkerState:
    """What one process of the pool works with. kept: for what many tasks share, by whoever puts it there."""

    store_url: str
    kept: dict[Any, Any] = field(default_factory=dict)

    @cached_property
    def sessions(self) -> sessionmaker[Session]:
        return reading_sessions(open_engine(self.store_url))

    @cached_property
    def ephemeris(self) -> Ephemeris:
        return open_ephemeris()


class ProcessPool:
    """So many processes, started when there is first something to do; ended with the `with` block."""

    def __init__(self, store_url: str, processes: int) -> None:
        self._store_url = store_url
        self._processes = processes
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool = None

    def each(self, work: Callable[[WorkerState, T], R], tasks: Iterable[T]) -> Iterator[R | None]:
        """What the work, a module's own function, makes of each task, in their order; None where the pool
        couldn't do it, so that the caller does it itself."""
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                self._processes,
                mp_context=multiprocessing.get_context("spawn"),
                initializer=_begin,
                initargs=(self._store_url,),
            )
        under_way = deque[Future[R] | None]()
        for task in tasks:
            try:
                under_way.append(self._pool.submit(_do, work, task))
            except BrokenExecutor:
                under_way.append(None)
            if len(under_way) >= AHEAD * self._processes:
                yield _result(under_way.popleft())
        while under_way:
            yield _result(under_way.popleft())


def usual_processes() -> int:
    return min(AT_MOST, os.cpu_count() or 1)


def _result(future: Future[R] | None) -> R | None:
    if future is None:
        return None
    try:
        return future.result()
    except BrokenExecutor:
        log.warning("a process of the pool ended; its work is done without it")
    except DBAPIError as error:
        log.warning(
            "a process of the pool couldn't read the store (%s); its work is done without it", error.orig
        )
    return None


_workers: list[WorkerState] = []


def _begin(store_url: str) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.set_threshold(ALLOCATIONS_BETWEEN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _workers.append(WorkerState(store_url))


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)


def _do(work: Callable[[WorkerState, T], R], task: T) -> R:
    return work(_workers[0], task)
