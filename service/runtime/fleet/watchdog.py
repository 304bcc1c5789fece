"""A process that has lost its database for good ends itself, so that its supervisor starts it anew.

A statement that waits for an answer which never comes can't be interrupted from within. So another thread
asks the database, over a connection made for each question, and the process ends when there was no answer
for too long. Time in which the process itself was frozen doesn't count.
"""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable
from pathlib import Path

import psycopg
from sqlalchemy import URL

from service.store.engine import connect_options

log = logging.getLogger(__name__)

ASK_EVERY_S = 5.0
GIVE_UP_AFTER_S = 60.0
EXIT_CODE = 75
"""EX_TEMPFAIL of sysexits.h: try again later."""


class Lifeline:
    """Watches in a thread while the block lasts.

    ask: raises OSError or a driver's error without an answer, and may hang.  alive: a file that is touched
    after each answer, for a health check.  end: ends the process.
    """

    def __init__(
        self,
        ask: Callable[[], object],
        *,
        alive: Path | None = None,
        end: Callable[[], object] = lambda: os._exit(EXIT_CODE),
        every_s: float = ASK_EVERY_S,
        give_up_after_s: float = GIVE_UP_AFTER_S,
    ) -> None:
        self._ask, self._alive, self._end = ask, alive, end
        self._every_s, self._give_up_after_s = every_s, give_up_after_s
        self._answered, self._let_go = threading.Event(), threading.Event()
        self._asking: threading.Thread | None = None
        self._watching = threading.Thread(target=self._watch, name="duskbell-lifeline", daemon=True)

    def __enter__(self) -> Lifeline:
        self._watching.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._let_go.set()

    def _watch(self) -> None:
        silent_s = 0.0
        while silent_s <= self._give_up_after_s:
            if self._asking is None or not self._asking.is_alive():
                self._asking = threading.Thread(target=self._ask_once, name="duskbell-asking", daemon=True)
                self._asking.start()
            if self._let_go.wait(self._every_s):
                return
            silent_s = 0.0 if self._answered.is_set() else silent_s + self._every_s
            self._answered.clear()
        log.critical("no sign of life for %.0f s; this process ends", silent_s)
        self._end()

    def _ask_once(self) -> None:
        try:
            self._ask()
        except (psycopg.Error, OSError) as error:
            log.warning("no sign of life: %s", type(error).__name__)
            return
        self._answered.set()
        if self._alive is not None:
            self._alive.touch()


def asking(url: URL) -> Callable[[], object]:
    """A question to that database over a connection of its own."""

    def ask() -> None:
        with psycopg.connect(driver_url(url), **connect_options(url, statement_timeout="5s")) as connection:
            connection.execute("SELECT 1")

    return ask


def driver_url(url: URL) -> str:
    """The URL as the driver itself reads it."""
    return (
        url.set(drivername="postgresql")
        .difference_update_query(["options"])
        .render_as_string(hide_password=False)
    )
