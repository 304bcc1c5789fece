"""The feeds as the settings describe them, and asking them all at once.

Commands that anybody may type use the store where there is one; they never make it, and never wait for it
long, as a cycle may be writing. A command then does without what it can't read in a moment, and doesn't send
what it can't count. It counts in the store: in memory two commands could spend a day twice.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import event, make_url
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.weather.forecast import Place
from alerts.weather.models import OPEN_METEO
from service.common.deadline import Deadline
from service.feeds.feed_state import DatabaseCache, DatabaseGuards
from service.feeds.met_norway import client as met_norway
from service.feeds.met_norway.client import MetNorway
from service.feeds.nws import client as nws
from service.feeds.nws.client import Nws
from service.feeds.open_meteo.client import OpenMeteo, OpenMeteoAccess
from service.feeds.shared.cached_request import (
    AnswerCache,
    AskRound,
    Feed,
    MemoryCache,
    Patience,
    StoredAnswer,
)
from service.feeds.shared.checked_answers import FeedError, NotAsked
from service.feeds.shared.guards import (
    ALLOWANCES,
    DAY_S,
    FREE_OPEN_METEO,
    UNLIMITED_OPEN_METEO,
    Allowance,
    Guards,
    NoGuards,
)
from service.feeds.shared.http_client import PoliteClient, identify
from service.feeds.shared.model import FeedFailure, Gathered, attach_bulletins, failure_of, join
from service.feeds.shared.warnings_by_place import WarningsFeed
from service.feeds.shared.watched_sockets import Route
from service.settings import Settings
from service.store.engine import BUSY_FOR, StoreError, open_engine
from service.store.migrate import current_revision, head_revision

CYCLE_BUDGET_S = 600.0
"""All feeds together in one cycle; what didn't come by then is asked for in the next."""
GRACE_S = 0.25
"""How long past the deadline a feed may take to hand over what it has."""

BUSY_FOR_MS = 1500
"""How long an SQLite file that another process writes to is waited for."""
log = logging.getLogger(__name__)


def feeds_from(settings: Settings, *, ensembles: bool = True) -> tuple[Feed, ...]:
    """The feeds that the settings name, off or on, in the order they are told. ensembles: those too, which
    weigh most."""
    key = settings.open_meteo_key
    access = OpenMeteoAccess(
        non_commercial=settings.open_meteo_noncommercial,
        share_alike=settings.open_meteo_share_alike,
        api_key=key.get_secret_value() if key else None,
        base_url=settings.open_meteo_url,
        ensemble_url=settings.open_meteo_ensemble_url,
        air_url=settings.open_meteo_air_url,
    )
    open_meteo = OpenMeteo(
        access,
        models=settings.open_meteo_models,
        ensembles=settings.open_meteo_ensembles if ensembles else (),
        air_quality=settings.open_meteo_air,
        by_height=settings.cloud_by_height,
    )
    feeds: list[Feed] = [open_meteo]
    if settings.met_norway:
        feeds.append(MetNorway(base_url=settings.met_norway_url))
    if settings.nws:
        feeds.append(Nws(base_url=settings.nws_url))
    if settings.official_warnings:
        feeds.append(WarningsFeed(met_norway.WARNINGS, base_url=settings.met_norway_url))
        feeds.append(WarningsFeed(nws.WARNINGS, base_url=settings.nws_url))
    return tuple(feeds)


def allowances_from(settings: Settings) -> Mapping[str, Allowance]:
    """What each provider allows this installation."""
    is_free = settings.open_meteo_key is None and not settings.open_meteo_url
    allowance = FREE_OPEN_METEO if is_free else UNLIMITED_OPEN_METEO
    if settings.open_meteo_daily_weight is not None:
        most = {**allowance.most, DAY_S: settings.open_meteo_daily_weight}
        allowance = replace(allowance, most=most)
    return {**ALLOWANCES, OPEN_METEO: allowance}


def gather(places: Place | Sequence[Place], hours: Span, feeds: Sequence[Feed], round_: AskRound) -> Gathered:
    """Ask all feeds that are on, side by side, and be back by the deadline.

    One feed that is down, slow or wrong never hurts the others: it is a failure in the result. A feed
    that hasn't come back in time is left behind in its own thread, which ends with the process.
    Results come in the order of `feeds`, whichever was faster. Official warnings ride on a forecast of
    their place; those of a place without any stay beside.
    """
    asked = (places,) if isinstance(places, Place) else tuple(places)
    on = [feed for feed in feeds if feed.off_because is None]
    off = tuple(
        FeedFailure(feed.name, "", feed.off_because, permanent=True)
        for feed in feeds
        if feed.off_because is not None
    )

    # each in a thread of its own, which hands over what it has
    back: queue.SimpleQueue[tuple[int, Gathered]] = queue.SimpleQueue()

    def run(index: int, feed: Feed) -> None:
        result = Gathered(failures=(FeedFailure(feed.name, "", phrase("feeds.broke", feed=feed.name)),))
        try:
            result = feed.fetch(asked, hours, replace(round_, patience=Patience()))
        except FeedError as error:
            result = Gathered(failures=(failure_of(feed.name, "", error),))
        finally:  # whatever else happens goes on to the log, and nobody waits for it
            back.put((index, result))

    for index, feed in enumerate(on):
        threading.Thread(target=run, args=(index, feed), daemon=True, name=f"feed-{feed.name}").start()

    # what came back before the deadline, and a moment more for feeds that end with it
    results: dict[int, Gathered] = {}
    with contextlib.suppress(queue.Empty):
        while len(results) < len(on):
            index, gathered = back.get(timeout=round_.deadline.remaining_s + GRACE_S)
            results[index] = gathered
    late = [FeedFailure(feed.name, "", phrase("feeds.late", name=feed.name)) for feed in on]
    parts = (results.get(index, Gathered(failures=(late[index],))) for index in range(len(on)))
    return attach_bulletins(join((Gathered(off=off), *parts)))


@dataclass(frozen=True, slots=True)
class FeedAccess:
    """By what feeds are asked: the settings, the answers known already, and who may be asked."""

    settings: Settings
    cache: AnswerCache
    guards: Guards

    def ask(
        self, feeds: Sequence[Feed], places: Sequence[Place], hours: Span, deadline: Deadline
    ) -> Gathered:
        """All these feeds, within the deadline. Places along a line of sight are left out where the settings
        say so."""
        if not self.settings.contact:
            return Gathered(off=(FeedFailure("all", "", phrase("feeds.no-contact"), permanent=True),))
        wanted = [place for place in places if self.settings.line_of_sight or not place.is_aside]
        user_agent, route = identify(self.settings.contact), Route(self.settings.proxy)
        with PoliteClient(user_agent, route, guards=self.guards) as client:
            return gather(wanted, hours, feeds, AskRound(client, self.cache, deadline))


def at_hand(settings: Settings) -> FeedAccess:
    """With the store's answers, allowances and breakers where this installation has a store; where it has
    none, nothing is remembered beyond this process, and none is made."""
    sessions = sessions_at_hand(settings) if settings.contact else None
    if sessions is None:
        return FeedAccess(settings, MemoryCache(), NoGuards())
    return behind_store(settings, sessions)


def behind_store(settings: Settings, sessions: sessionmaker[Session]) -> FeedAccess:
    """For one person who waits, with a store that is open already."""
    return FeedAccess(settings, CacheAtHand(sessions), _shared(settings, sessions, GuardsAtHand))


def ask_now(
    asking: FeedAccess, places: Sequence[Place], hours: Span, deadline: Deadline, *, ensembles: bool = False
) -> Gathered:
    """Ask all feeds for one person who waits, and be back by the deadline."""
    return asking.ask(feeds_from(asking.settings, ensembles=ensembles), places, hours, deadline)


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
