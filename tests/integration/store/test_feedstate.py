"""Allowances, turns and breakers are shared by all processes, on both databases."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Engine, delete
from sqlalchemy.orm import Session, sessionmaker

from service.common.backoff import Breaker, BreakerState
from service.common.deadline import Deadline
from service.feeds import feed_state
from service.feeds.feed_state import DatabaseGuards
from service.feeds.shared.checked_answers import AllowanceSpent, FeedDown, FeedRefused
from service.feeds.shared.guards import Allowance
from service.store.engine import open_engine
from service.store.migrate import require_current
from service.store.schema.feed_tables import FeedStateRow, FeedTurnRow, FeedWindowRow, PlaceCheckRow

NOON = datetime(2026, 10, 9, 12, 0, 30, tzinfo=UTC)
MINUTE, DAY = 60, 86_400
TEN_A_MINUTE = Allowance({MINUTE: 10 / 0.95, DAY: 25 / 0.95})
ALLOWANCES = {"open-meteo": TEN_A_MINUTE, "metno": Allowance({}, one_at_a_time=True)}


class Clock:
    """A wall clock that sleeping moves; the deadline lives by it too."""

    def __init__(self) -> None:
        self.now, self.slept = NOON, list[float]()

    def __call__(self) -> datetime:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += timedelta(seconds=seconds)

    def deadline(self, seconds: float) -> Deadline:
        return Deadline(seconds, monotonic=lambda: self.now.timestamp())


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> str:
    """One database of each kind for all tests here."""
    if request.param == "sqlite":
        made = f"sqlite:///{tmp_path_factory.mktemp('feeds') / 'store.sqlite3'}"
    else:
        made = request.getfixturevalue("new_postgres")()
    engine = open_engine(made)
    require_current(engine)
    engine.dispose()
    return made


@pytest.fixture
def engine(url: str) -> Iterator[Engine]:
    engine = open_engine(url)
    with engine.begin() as connection:
        for table in (FeedWindowRow, FeedTurnRow, FeedStateRow, PlaceCheckRow):
            connection.execute(delete(table))
    yield engine
    engine.dispose()


@pytest.fixture
def sessions(engine: Engine) -> sessionmaker[Session]:
    return sessionmaker(engine, expire_on_commit=False)


def guards(sessions: sessionmaker[Session], clock: Clock) -> DatabaseGuards:
    return DatabaseGuards(sessions, clock, allowances=ALLOWANCES, sleep=clock.sleep, jitter=lambda: 0.0)


def ask(
    made: DatabaseGuards, clock: Clock, weight: float, *, feed: str = "open-meteo", seconds: float = 90
) -> None:
    with made.turn(feed, weight, clock.deadline(seconds)):
        pass


def test_what_fits_is_asked_at_once(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    made = guards(sessions, clock)
    ask(made, clock, 4)
    ask(made, clock, 6)
    assert clock.slept == []
    assert [(each.provider, each.requests, each.weight) for each in made.spent] == [("open-meteo", 2, 10.0)]


def test_a_full_minute_is_waited_out(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    made = guards(sessions, clock)
    ask(made, clock, 9)
    ask(made, clock, 2)
    assert clock.slept == [30.0]  # from half past to the next minute


def test_a_full_minute_beyond_the_deadline_is_not_waited_for(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    made = guards(sessions, clock)
    ask(made, clock, 9)
    with pytest.raises(AllowanceSpent, match="allows in a minute") as caught:
        ask(made, clock, 2, seconds=20)
    assert caught.value.retry_after == timedelta(seconds=30)
    assert clock.slept == []


def test_a_full_day_is_left_to_the_next(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    made = guards(sessions, clock)
    for _ in range(5):
        ask(made, clock, 5)
        clock.sleep(60)
    with pytest.raises(AllowanceSpent, match=r"allows in a day .* until 00:00 UTC"):
        ask(made, clock, 1, seconds=500)
    clock.now = NOON + timedelta(days=1)
    ask(made, clock, 10)


def test_a_request_heavier_than_a_window_goes_out_when_the_window_is_empty(
    sessions: sessionmaker[Session],
) -> None:
    clock = Clock()
    made = guards(sessions, clock)
    ask(made, clock, 15)
    assert clock.slept == []
    ask(made, clock, 1)
    assert clock.slept == [30.0]


def test_feeds_of_one_provider_share_its_allowance(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    ask(guards(sessions, clock), clock, 6)
    ask(guards(sessions, clock), clock, 6, feed="open-meteo-ensemble")
    assert clock.slept == [30.0]
    with sessions() as session:
        assert feed_state.used_now(session, clock.now)["open-meteo", DAY] == 12.0


def test_a_clock_that_goes_back_gives_nothing_twice(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    made = guards(sessions, clock)
    ask(made, clock, 10)
    clock.now -= timedelta(hours=1)
    with pytest.raises(AllowanceSpent):
        ask(made, clock, 1, seconds=5)


def test_a_feed_without_an_allowance_is_asked(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    ask(guards(sessions, clock), clock, 1_000, feed="nws")
    assert clock.slept == []


def test_one_at_a_time_means_over_all_who_ask(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    first, second = guards(sessions, clock), guards(sessions, clock)
    with first.turn("metno", 1, clock.deadline(90)), pytest.raises(AllowanceSpent, match="held its turn"):
        ask(second, clock, 1, feed="metno", seconds=3)
    ask(second, clock, 1, feed="metno", seconds=3)


def test_the_turn_of_one_who_died_is_free_after_two_minutes(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    with sessions.begin() as session:
        assert feed_state.take_turn(session, "metno", "the dead one", clock.now)
    ask(guards(sessions, clock), clock, 1, feed="metno", seconds=130)
    assert timedelta(seconds=119) < clock.now - NOON < timedelta(seconds=122)
    with sessions.begin() as session:
        feed_state.release_turn(session, "metno", "the dead one")


# Breakers
def test_a_breaker_opens_for_everybody(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    made = guards(sessions, clock)
    for _ in range(3):
        made.note("metno", FeedDown("it is down."))
    assert "left alone until 2026-10-09 12:05 UTC" in str(made.refusal("metno"))
    assert guards(sessions, clock).refusal("metno") is not None
    assert made.refusal("metno-warnings") is None


def test_success_closes_it_for_everybody(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    made = guards(sessions, clock)
    for _ in range(3):
        made.note("metno", FeedDown("it is down."))
    clock.sleep(301)
    assert made.refusal("metno") is None
    made.note("metno", None)
    with sessions() as session:
        assert feed_state.read_breaker(session, "metno").state is BreakerState.CLOSED


def test_a_403_stays_over_restarts_until_an_operator_closes_it(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    guards(sessions, clock).note("metno", FeedRefused("it refuses us.", status=403))
    clock.now += timedelta(days=30)
    assert guards(sessions, clock).refusal("metno") is not None
    with sessions.begin() as session:
        assert feed_state.close_breaker(session, "metno", clock.now).state is BreakerState.SHUT
    assert guards(sessions, clock).refusal("metno") is None


def test_good_news_of_a_good_feed_writes_nothing(sessions: sessionmaker[Session]) -> None:
    guards(sessions, Clock()).note("metno", None)
    with sessions() as session:
        assert feed_state.all_breakers(session) == {}


def test_failures_seen_by_two_processes_add_up(sessions: sessionmaker[Session]) -> None:
    clock = Clock()
    one, other = guards(sessions, clock), guards(sessions, clock)
    one.note("nws", FeedDown("down."))
    other.note("nws", FeedDown("down."))
    one.note("nws", FeedDown("down."))
    with sessions() as session:
        assert feed_state.read_breaker(session, "nws") == Breaker(
            BreakerState.OPEN, 3, NOON, NOON + timedelta(minutes=5), "down."
        )


# What is due
def test_places_are_noted_as_asked(sessions: sessionmaker[Session]) -> None:
    with sessions.begin() as session:
        feed_state.note_asked(session, ["a", "b", "a"], NOON)
        feed_state.note_asked(session, [], NOON)
    later = NOON + timedelta(hours=1)
    with sessions.begin() as session:
        feed_state.note_asked(session, ["b", "c"], later)
    with sessions() as session:
        assert feed_state.last_asked(session, {"a", "b", "x"}) == {"a": NOON, "b": later}
        many = {str(k) for k in range(600)} | {"c"}
        assert feed_state.last_asked(session, many) == {"c": later}


def _spend_many(url: str, times: int) -> None:
    """What a second process does."""
    engine = open_engine(url)
    sessions = sessionmaker(engine)
    for _ in range(times):
        with sessions.begin() as session:
            feed_state.spend(session, "open-meteo", Allowance({DAY: 1_000}), 1.0, NOON)
    engine.dispose()


def test_two_processes_that_spend_at_once_lose_nothing(engine: Engine, url: str) -> None:
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_spend_many, args=(url, 40)) for _ in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(timeout=60)
    assert [worker.exitcode for worker in workers] == [0, 0]
    with Session(engine) as session:
        assert feed_state.used_now(session, NOON)["open-meteo", DAY] == 80.0
