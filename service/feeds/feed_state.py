"""Answers, allowances, turns and breakers in the database, so that all processes share them."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime, timedelta
from secrets import token_hex

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import phrase
from service.common.backoff import Breaker, BreakerState
from service.common.clock import SET_BY, lies_ahead
from service.common.deadline import Deadline
from service.feeds.shared.cached_request import StoredAnswer
from service.feeds.shared.checked_answers import AllowanceSpent, FeedError
from service.feeds.shared.guards import (
    ALLOWANCES,
    MINUTE_S,
    USED_SHARE,
    Allowance,
    Spent,
    after,
    provider_of,
    refusal,
    wait_for,
    window_start,
)
from service.store.engine import insert_into
from service.store.schema.feed_tables import (
    FeedAnswerRow,
    FeedStateRow,
    FeedTurnRow,
    FeedWindowRow,
    PlaceCheckRow,
)

LONGEST_TURN = timedelta(minutes=2)
"""After so long a turn is free again: its holder died, as no wait and request live longer."""
ASK_AGAIN_S = 0.2
"""How often a turn that somebody else holds is asked for."""


class DatabaseGuards:
    """Guards over the store; each step is a transaction of its own. clock: the wall's."""

    def __init__(
        self,
        sessions: sessionmaker[Session],
        clock: Callable[[], datetime],
        *,
        allowances: Mapping[str, Allowance] = ALLOWANCES,
        sleep: Callable[[float], None] = time.sleep,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        self._sessions, self._clock, self._allowances = sessions, clock, allowances
        self._sleep, self._jitter = sleep, jitter
        self._breakers: dict[str, Breaker] = {}
        self._spent: dict[str, tuple[int, float]] = {}
        self._lock = threading.Lock()

    @property
    def spent(self) -> tuple[Spent, ...]:
        """What was asked through these guards so far, by provider."""
        with self._lock:
            return tuple(Spent(provider, *totals) for provider, totals in sorted(self._spent.items()))

    def refusal(self, feed: str) -> FeedError | None:
        return refusal(self._breaker(feed), feed, self._clock())

    def note(self, feed: str, error: FeedError | None) -> None:
        """Takes the outcome in, and writes it when the breaker changes by it."""
        now = self._clock()
        if after(self._breaker(feed), error, now) is self._breaker(feed):
            return
        with self._sessions.begin() as session:
            changed = after(read_breaker(session, feed), error, now)
            write_breaker(session, feed, changed)
        with self._lock:
            self._breakers[feed] = changed

    def _breaker(self, feed: str) -> Breaker:
        """As it was when this process first asked, or last changed it."""
        with self._lock:
            known = self._breakers.get(feed)
        if known is not None:
            return known
        with self._sessions() as session:
            found = read_breaker(session, feed)
        with self._lock:
            return self._breakers.setdefault(feed, found)

    @contextmanager
    def turn(self, feed: str, weight: float, deadline: Deadline) -> Iterator[None]:
        provider = provider_of(feed)
        allowance = self._allowances.get(provider, Allowance({}))
        token = self._wait_for_turn(provider, deadline) if allowance.one_at_a_time else None
        try:
            self._wait_for_allowance(provider, allowance, weight, deadline)
            yield
        finally:
            if token is not None:
                with self._sessions.begin() as session:
                    release_turn(session, provider, token)

    def _wait_for_turn(self, provider: str, deadline: Deadline) -> str:
        token = token_hex(16)
        while True:
            with self._sessions.begin() as session:
                if take_turn(session, provider, token, self._clock()):
                    return token
            pause_s = ASK_AGAIN_S * (1 + self._jitter())
            if pause_s >= deadline.remaining_s:
                raise AllowanceSpent(phrase("feeds.turn-held", provider=provider))
            self._sleep(pause_s)

    def _wait_for_allowance(
        self, provider: str, allowance: Allowance, weight: float, deadline: Deadline
    ) -> None:
        while True:
            now = self._clock()
            with self._sessions.begin() as session:
                full_s = spend(session, provider, allowance, weight, now)
            if full_s is None:
                with self._lock:
                    requests, before = self._spent.get(provider, (0, 0.0))
                    self._spent[provider] = (requests + 1, before + weight)
                return
            wait = wait_for(now, full_s)
            pause_s = wait.total_seconds() + self._jitter() * min(1.0, full_s / 10)
            if full_s > MINUTE_S or pause_s >= deadline.remaining_s:
                raise AllowanceSpent(
                    phrase(
                        "feeds.allowance-spent",
                        provider=provider,
                        window_s=full_s,
                        most=allowance.most[full_s],
                        until=now + wait,
                    ),
                    retry_after=wait,
                )
            self._sleep(pause_s)


def spend(session: Session, provider: str, allowance: Allowance, weight: float, now: datetime) -> int | None:
    """Take the weight from every window, or from none; the longest window that is full, None when it fits.

    A request heavier than a whole window goes out when that window is empty. A clock that went back keeps
    the later window's count, in the window that runs now: nothing is given twice, and nothing is closed for
    longer than that window lasts.
    """
    rows = []
    for unit_s in sorted(allowance.most):
        # the running window's row, locked; begun anew when an older one lies there
        starts = window_start(now, unit_s)
        _insert_missing(session, FeedWindowRow, provider=provider, unit_s=unit_s, starts=starts, used=0.0)
        row = session.get_one(FeedWindowRow, (provider, unit_s), with_for_update=True)
        if row.starts < starts:
            row.starts, row.used = starts, 0.0
        elif lies_ahead(row.starts, now):
            row.starts = starts
        rows.append(row)
    full = [
        row.unit_s for row in rows if row.used and row.used + weight > USED_SHARE * allowance.most[row.unit_s]
    ]
    if full:
        return max(full)
    for row in rows:
        row.used += weight
    return None


def _insert_missing(
    session: Session, table: type[FeedWindowRow] | type[FeedTurnRow], **values: object
) -> None:
    session.execute(insert_into(session, table).values(**values).on_conflict_do_nothing())


def take_turn(session: Session, provider: str, token: str, now: datetime) -> bool:
    """Whether the turn is now this token's."""
    _insert_missing(session, FeedTurnRow, provider=provider, token="", until=now)
    # one that ends later than any could was taken before the clock was set back
    free = (FeedTurnRow.until <= now) | (FeedTurnRow.until > now + LONGEST_TURN + SET_BY)
    taken = update(FeedTurnRow).where(FeedTurnRow.provider == provider, free)
    result = session.execute(taken.values(token=token, until=now + LONGEST_TURN))
    return bool(result.rowcount)  # type: ignore[attr-defined]


def release_turn(session: Session, provider: str, token: str) -> None:
    """Give the turn back, unless it ran out and is another's by now."""
    mine = (FeedTurnRow.provider == provider, FeedTurnRow.token == token)
    session.execute(delete(FeedTurnRow).where(*mine))


def read_breaker(session: Session, feed: str) -> Breaker:
    row = session.get(FeedStateRow, feed)
    return _as_breaker(row) if row else Breaker()


def _as_breaker(row: FeedStateRow) -> Breaker:
    return Breaker(BreakerState(row.state), row.failures, row.since, row.retry_at, row.reason)


def write_breaker(session: Session, feed: str, breaker: Breaker) -> None:
    assert breaker.since is not None, "a breaker that changed says when"
    session.merge(
        FeedStateRow(
            feed=feed,
            state=breaker.state.value,
            failures=breaker.failures,
            since=breaker.since,
            retry_at=breaker.retry_at,
            reason=breaker.reason,
        )
    )


def all_breakers(session: Session) -> dict[str, Breaker]:
    """Every feed that something ever happened to."""
    return {
        row.feed: _as_breaker(row)
        for row in session.scalars(select(FeedStateRow).order_by(FeedStateRow.feed))
    }


def close_breaker(session: Session, feed: str, now: datetime) -> Breaker:
    """Let the feed be asked again; what the breaker was before."""
    before = read_breaker(session, feed)
    write_breaker(session, feed, Breaker(since=now))
    return before


def used_now(session: Session, now: datetime) -> dict[tuple[str, int], float]:
    """The weight used in the windows that are running, by provider and length in seconds."""
    rows = session.scalars(select(FeedWindowRow))
    return {
        (row.provider, row.unit_s): row.used for row in rows if row.starts == window_start(now, row.unit_s)
    }


def last_asked(session: Session, places: Iterable[str]) -> dict[str, datetime]:
    """When the feeds were last asked about each of these places."""
    wanted, found = set(places), select(PlaceCheckRow)
    if len(wanted) < 500:
        found = found.where(PlaceCheckRow.place.in_(wanted))
    return {row.place: row.asked_at for row in session.scalars(found) if row.place in wanted}


def note_asked(session: Session, places: Iterable[str], now: datetime) -> None:
    """The feeds were asked about these places now."""
    rows = [{"place": place, "asked_at": now} for place in dict.fromkeys(places)]
    if not rows:
        return
    adding = insert_into(session, PlaceCheckRow)
    adding = adding.on_conflict_do_update(
        index_elements=[PlaceCheckRow.place], set_={"asked_at": adding.excluded.asked_at}
    )
    session.execute(adding, rows)


class DatabaseCache:
    """An `AnswerCache` over the store; each call is a transaction of its own."""

    def __init__(self, sessions: sessionmaker[Session]) -> None:
        self._sessions = sessions

    def get(self, key: str) -> StoredAnswer | None:
        with self._sessions() as session:
            row = session.get(FeedAnswerRow, key)
        if row is None:
            return None
        return StoredAnswer(
            body=row.body,
            status=row.status,
            fetched_at=row.fetched_at,
            expires_at=row.expires_at,
            last_modified=row.last_modified,
            etag=row.etag,
            unchanged_since=row.unchanged_since,
        )

    def put(self, key: str, answer: StoredAnswer) -> None:
        with self._sessions.begin() as session:
            session.merge(
                FeedAnswerRow(
                    key=key,
                    status=answer.status,
                    body=answer.body,
                    fetched_at=answer.fetched_at,
                    expires_at=answer.expires_at,
                    last_modified=answer.last_modified,
                    etag=answer.etag,
                    unchanged_since=answer.unchanged_since,
                )
            )
