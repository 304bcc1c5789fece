"""Asking feeds with a store behind them: its answers, allowances and breakers.

Commands that anybody may type use the store where there is one; they never make it, and never wait for it
long, as a cycle may be writing. A command then does without what it can't read in a moment, and doesn't send
what it can't count. It counts in the store: in memory two commands could spend a day twice.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import event, make_url
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.weather.forecast import Place
from service.common.deadline import Deadline
from service.feeds.feed_state import DatabaseCache, DatabaseGuards
from service.feeds.feed_wiring import FeedAccess, allowances_from, feeds_from, without_store
from service.feeds.shared.cached_request import StoredAnswer
from service.feeds.shared.checked_answers import FeedError, NotAsked
from service.feeds.shared.model import Gathered
from service.settings import Settings
from service.store.engine import BUSY_FOR, StoreError, open_engine
from service.store.migrate import current_revision, head_revision

CYCLE_BUDGET_S = 600.0
"""All feeds together in one cycle; what didn't come by then is asked for in the next."""
BUSY_FOR_MS = 1500
"""How long an SQLite file that another process writes to is waited for."""
log = logging.getLogger(__name__)


def at_hand(settings: Settings) -> FeedAccess:
    """With the store's answers, allowances and breakers where this installation has a store; where it has
    none, nothing is remembered beyond this process, and none is made."""
    sessions = sessions_at_hand(settings) if settings.contact else None
    if sessions is None:
        return without_store(settings)
    return behind_store(settings, sessions)


def behind_store(settings: Settings, sessions: sessionmaker[Session]) -> FeedAccess:
    """For one person who waits, with a store that is open already."""
    return FeedAccess(settings, CacheAtHand(sessions), _shared(settings, sessions, GuardsAtHand))


def ask_feeds(
    settings: Settings, sessions: sessionmaker[Session], places: Sequence[Place], hours: Span
) -> Gathered:
    """Ask all feeds for a cycle, with the store behind them; and what that cost."""
    guards = _shared(settings, sessions, DatabaseGuards)
    asking = FeedAccess(settings, DatabaseCache(sessions), guards)
    gathered = asking.ask(feeds_from(settings), places, hours, Deadline(CYCLE_BUDGET_S))
    return replace(gathered, spent=guards.spent)


def _shared(
    settings: Settings, sessions: sessionmaker[Session], kind: type[DatabaseGuards]
) -> DatabaseGuards:
    return kind(sessions, lambda: datetime.now(UTC), allowances=allowances_from(settings))


def sessions_at_hand(settings: Settings) -> sessionmaker[Session] | None:
    """Sessions on this installation's store; None where there is none, or none of this very version."""
    parsed = make_url(settings.store_url)
    is_file = parsed.get_backend_name() == "sqlite"
    if is_file and not (parsed.database and Path(parsed.database).is_file()):
        return None
    with contextlib.ExitStack() as unused:
        try:
            engine = open_engine(settings.store_url, statement_timeout=f"{BUSY_FOR_MS}ms")
            unused.callback(engine.dispose)
            if is_file:
                event.listen(engine, "connect", _hurry)
            if current_revision(engine) != head_revision():
                return None
        except (StoreError, DBAPIError) as error:
            log.warning("the store isn't used for this answer: %s", error)
            return None
        unused.pop_all()
        return sessionmaker(engine, expire_on_commit=False)


def _hurry(_connection: sqlite3.Connection, entry: Any) -> None:
    entry.info[BUSY_FOR] = BUSY_FOR_MS


class CacheAtHand(DatabaseCache):
    """The store's answers; those that can't be read or kept just now are none."""

    def get(self, key: str) -> StoredAnswer | None:
        try:
            return super().get(key)
        except DBAPIError as error:
            log.warning("a stored answer can't be read just now: %s", error.orig)
            return None

    def put(self, key: str, answer: StoredAnswer) -> None:
        try:
            super().put(key, answer)
        except DBAPIError as error:
            log.warning("an answer can't be kept just now: %s", error.orig)


class GuardsAtHand(DatabaseGuards):
    """The shared allowances and breakers. What can't be counted just now isn't asked."""

    def refusal(self, feed: str) -> FeedError | None:
        try:
            return super().refusal(feed)
        except DBAPIError:
            return _busy(feed)

    @contextmanager
    def turn(self, feed: str, weight: float, deadline: Deadline) -> Iterator[None]:
        try:
            with super().turn(feed, weight, deadline):
                yield
        except DBAPIError as error:
            raise _busy(feed) from error

    def note(self, feed: str, error: FeedError | None) -> None:
        try:
            super().note(feed, error)
        except DBAPIError as busy:
            log.warning("how %s fared can't be noted just now: %s", feed, busy.orig)


def _busy(feed: str) -> NotAsked:
    return NotAsked(phrase("feeds.store-busy", feed=feed))
