"""The store for commands that anybody may type: used where there is one, never made, never waited for long.

A cycle may be writing at the same time. A command then does without what it can't read in a moment, and
doesn't send what it can't count. It counts in the store: in memory two commands could spend a day twice.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event, make_url
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import phrase
from service.common.deadline import Deadline
from service.feeds.feed_state import DatabaseCache
from service.feeds.shared.cache import AnswerCache, StoredAnswer
from service.feeds.shared.feed_errors import FeedError, NotAsked
from service.feeds.shared.guards import Guards, Spent
from service.settings import Settings
from service.store.engine import BUSY_FOR, StoreError, open_engine
from service.store.migrate import current_revision, head_revision

log = logging.getLogger(__name__)

BUSY_FOR_MS = 1500
"""How long an SQLite file that another process writes to is waited for."""


def sessions_at_hand(settings: Settings) -> sessionmaker[Session] | None:
    """Sessions on this installation's store; None where there is none, or none of this very version."""
    parsed = make_url(settings.store_url)
    is_file = parsed.get_backend_name() == "sqlite"
    if is_file and not (parsed.database and Path(parsed.database).is_file()):
        return None
    try:
        engine = open_engine(settings.store_url, statement_timeout=f"{BUSY_FOR_MS}ms")
        if is_file:
            event.listen(engine, "connect", _hurry)
        is_ours = _is_of_this_version(engine)
    except (StoreError, DBAPIError) as error:
        log.warning("the store isn't used for this answer: %s", error)
        return None
    return sessionmaker(engine, expire_on_commit=False) if is_ours else None


def _is_of_this_version(engine: Engine) -> bool:
    """Leaves the engine without connections where it isn't."""
    is_ours = False
    try:
        is_ours = current_revision(engine) == head_revision()
    finally:
        if not is_ours:
            engine.dispose()
    return is_ours


def _hurry(_connection: sqlite3.Connection, entry: Any) -> None:
    entry.info[BUSY_FOR] = BUSY_FOR_MS


class CacheAtHand:
    """The store's answers; those that can't be read or kept just now are none."""

    def __init__(self, sessions: sessionmaker[Session]) -> None:
        self._inner: AnswerCache = DatabaseCache(sessions)

    def get(self, key: str) -> StoredAnswer | None:
        try:
            return self._inner.get(key)
        except DBAPIError as error:
            log.warning("a stored answer can't be read just now: %s", error.orig)
            return None

    def put(self, key: str, answer: StoredAnswer) -> None:
        try:
            self._inner.put(key, answer)
        except DBAPIError as error:
            log.warning("an answer can't be kept just now: %s", error.orig)


class GuardsAtHand:
    """The shared allowances and breakers. What can't be counted just now isn't asked."""

    def __init__(self, inner: Guards) -> None:
        self._inner = inner

    @property
    def spent(self) -> tuple[Spent, ...]:
        return self._inner.spent

    def refusal(self, feed: str) -> FeedError | None:
        try:
            return self._inner.refusal(feed)
        except DBAPIError:
            return _busy(feed)

    @contextmanager
    def turn(self, feed: str, weight: float, deadline: Deadline) -> Iterator[None]:
        waiting: AbstractContextManager[None] = self._inner.turn(feed, weight, deadline)
        try:
            with waiting:
                yield
        except DBAPIError as error:
            raise _busy(feed) from error

    def note(self, feed: str, error: FeedError | None) -> None:
        try:
            self._inner.note(feed, error)
        except DBAPIError as busy:
            log.warning("how %s fared can't be noted just now: %s", feed, busy.orig)


def _busy(feed: str) -> NotAsked:
    return NotAsked(phrase("feeds.store-busy", feed=feed))
