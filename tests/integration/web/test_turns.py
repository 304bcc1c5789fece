"""Row 104: what takes seconds to work out is worked out once, two at a time, and keeps nobody waiting."""

from __future__ import annotations

import threading
import tracemalloc
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from datetime import date
from typing import Any

import anyio.to_thread
import pytest
from starlette.testclient import TestClient

from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes
from alerts.sky.nights.night_builder import nights
from alerts.sky.nights.season import season
from service.demo.play import FLAT
from service.web.api import judge
from service.web.shared import sky_cache as sky_pages
from service.web.shared.sky_cache import Busy, ConcurrencyLimit, LruCache
from tests.integration.pipeline.world import World
from tests.integration.web.test_api import bearer

PATIENCE_S = 20
YEAR_MB = 24
"""A year in one piece took 43 MB, in pieces of two months 16 (CPython 3.11, numpy 2.4)."""


class Held:
    """A piece of work that goes on until it is let go. begun: how many have begun it, one entry each."""

    def __init__(self) -> None:
        self.begun: list[int] = []
        self._has_begun = threading.Semaphore(0)
        self._may_end = threading.Event()

    def __call__(self, *_: object, **__: object) -> str:
        self.begun.append(threading.get_ident())
        self._has_begun.release()
        assert self._may_end.wait(PATIENCE_S)
        return "made"

    def wait_until_begun(self) -> None:
        assert self._has_begun.acquire(timeout=PATIENCE_S)

    def let_go(self) -> None:
        self._may_end.set()


@pytest.fixture
def pool() -> Iterator[ThreadPoolExecutor]:
    with ThreadPoolExecutor(30) as pool:
        yield pool


def test_row_104_twenty_who_ask_the_same_wait_for_one(pool: ThreadPoolExecutor) -> None:
    keeper = LruCache(10)
    work = Held()
    asked = [pool.submit(keeper.keep, "a year", work) for _ in range(20)]
    work.wait_until_begun()
    assert keeper.keep("another", lambda: "made at once") == "made at once"
    work.let_go()
    assert {each.result(PATIENCE_S) for each in asked} == {"made"}
    assert len(work.begun) == 1


def test_row_104_what_fails_is_tried_by_the_next(pool: ThreadPoolExecutor) -> None:
    keeper = LruCache(10)

    def fail() -> str:
        raise ValueError("no luck")

    with pytest.raises(ValueError, match="no luck"):
        keeper.keep("a year", fail)
    assert keeper.keep("a year", lambda: "made") == "made"


def held_turns(
    turns: ConcurrencyLimit, count: int, pool: ThreadPoolExecutor, work: Held
) -> list[Future[str]]:
    def take() -> str:
        with turns.turn():
            return work()

    return [pool.submit(take) for _ in range(count)]


def test_row_104_two_work_and_a_third_comes_on_when_one_is_through(pool: ThreadPoolExecutor) -> None:
    turns, work = ConcurrencyLimit(2, 24, PATIENCE_S), Held()
    asked = held_turns(turns, 3, pool, work)
    work.wait_until_begun()
    work.wait_until_begun()
    assert len(work.begun) == 2
    work.let_go()
    assert [each.result(PATIENCE_S) for each in asked] == ["made"] * 3


def test_row_104_whose_turn_does_not_come_in_time_and_who_finds_no_place_is_told_when_to_come_again(
    pool: ThreadPoolExecutor,
) -> None:
    for turns in (ConcurrencyLimit(1, 24, wait_s=0.05), ConcurrencyLimit(1, 1)):
        work = Held()
        (first,) = held_turns(turns, 1, pool, work)
        work.wait_until_begun()
        with pytest.raises(Busy) as refusal, turns.turn():
            pass
        assert (refusal.value.status_code, refusal.value.headers) == (503, {"Retry-After": "5"})
        work.let_go()
        assert first.result(PATIENCE_S) == "made"
        with turns.turn(), turns.turn():
            pass


@pytest.fixture
def working(monkeypatch: pytest.MonkeyPatch) -> Iterator[Held]:
    """What a season takes is held."""
    work = Held()
    monkeypatch.setattr(sky_pages, "season", work)
    yield work
    work.let_go()


HEAVY: dict[str, Callable[[TestClient], Any]] = {
    "a season": lambda owner: owner.get("/sites/1/season?year=2031"),
    "its picture": lambda owner: owner.get("/sites/1/season.svg?year=2031"),
    "a comparison": lambda owner: owner.get("/compare?from=2027-08-01&to=2027-09-01"),
    "the preview of a site": lambda owner: owner.post(
        "/sites/new", data={"name": "Hill", "at": "41, -2", "months": ["7"], "do": "show"}
    ),
}


@pytest.mark.parametrize("ask", HEAVY.values(), ids=HEAVY)
def test_row_104_a_page_that_would_take_long_is_put_off_in_words(
    ask: Callable[[TestClient], Any], owner: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    turns = owner.app.state.web.skies.turns  # type: ignore[attr-defined]
    monkeypatch.setattr(turns, "_wait_s", 0.01)
    with ExitStack() as stack:
        for _ in range(2):
            assert turns._free.acquire(blocking=False)
            stack.callback(turns._free.release)
        answer = ask(owner)
        assert answer.status_code == 503
        assert answer.headers["Retry-After"] == "5"
        assert "Try again in 5 seconds" in answer.text
        assert owner.get("/sites/1/subscribe").status_code == 200
    assert ask(owner).status_code == 200


def test_row_104_the_api_says_it_as_a_problem(
    world: World, owner: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judge, "ASKING", ConcurrencyLimit(1, 0))
    headers = bearer(world)
    with TestClient(_fresh_app(world), base_url="http://127.0.0.1:8765", headers=headers) as program:
        answer = program.post("/api/v1/judge", json={"site": {"lat": 40.31, "lon": -1.42}})
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "5")
    assert "being worked out" in answer.json()["detail"]


def _fresh_app(world: World) -> Any:
    from service.web.app import build_app

    return build_app(world.duskbell)


def test_row_104_health_is_told_while_all_threads_of_the_pages_are_at_work(
    owner: TestClient, working: Held, pool: ThreadPoolExecutor
) -> None:
    portal = owner.portal
    assert portal is not None
    limiter = portal.call(anyio.to_thread.current_default_thread_limiter)
    portal.call(setattr, limiter, "total_tokens", 1)
    asked = pool.submit(owner.get, "/sites/1/season?year=2031")
    working.wait_until_begun()
    for path in ("/healthz", "/readyz"):
        assert pool.submit(owner.get, path).result(PATIENCE_S).status_code == 200
    assert not asked.done()
    working.let_go()
    with pytest.raises(Exception, match="'str' object"):
        asked.result(PATIENCE_S)


def test_row_104_a_year_takes_little_memory() -> None:
    ephemeris, wishes = Ephemeris.open(), SkyWishes()
    season(FLAT, date(2027, 1, 1), date(2027, 1, 3), wishes, ephemeris)
    tracemalloc.start()
    try:
        season(FLAT, date(2027, 1, 1), date(2027, 12, 31), wishes, ephemeris)
        assert tracemalloc.get_traced_memory()[1] < YEAR_MB * 1e6
    finally:
        tracemalloc.stop()


def test_row_104_a_year_in_pieces_is_the_year() -> None:
    ephemeris, wishes = Ephemeris.open(), SkyWishes()
    found = season(FLAT, date(2027, 1, 1), date(2027, 12, 31), wishes, ephemeris)
    alone = nights(FLAT, date(2027, 1, 1), 365, wishes, ephemeris)
    assert [(each.name, each.windows) for each in found.nights] == [
        (each.name, each.windows) for each in alone if each.windows
    ]
