"""Somebody sets the clock: what is planned, counted and waited for doesn't come late by as much."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import cast

import pytest
import time_machine
from fastapi.testclient import TestClient
from sqlalchemy import text

from service.delivery.dispatcher import BackgroundSender
from service.feeds import feed_state
from service.feeds.shared.guards import Allowance
from service.runtime import single_process
from service.runtime.maintenance_jobs import Chore, build_watch
from service.runtime.single_process import Pages, build_scheduler, look_after, plan_anew
from service.store.repositories import cycles, rate_limits
from service.store.repositories.messages import Status
from service.web.app import build_app
from tests.integration.channels.channel_receivers import Receiver
from tests.integration.delivery.receivers import Hook, answer
from tests.integration.delivery.yard import NOW, Yard
from tests.integration.queued import claim

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
SIX_HOURS_BACK = -6 * HOUR


def finish_cycle(yard: Yard) -> None:
    with yard.sessions.begin() as session:
        cycle = cycles.begin(session, yard.wall, yard.wall)
        assert cycle is not None
        cycles.finish(session, cycle.id, yard.wall, {})


@contextmanager
def health(yard: Yard) -> Iterator[TestClient]:
    app = build_app(yard.duskbell)
    with TestClient(app, base_url="https://duskbell.example.org") as prober:
        yield prober


def test_row_120_silence_goes_on_while_the_clock_is_set_back(yard: Yard) -> None:
    with health(yard) as prober:
        finish_cycle(yard)
        assert prober.get("/healthz").status_code == 200
        yard.wall += 30 * MINUTE
        yard.set_clock(-29 * MINUTE)
        assert prober.get("/healthz").status_code == 200
        yard.wall += 31 * MINUTE
        answered = prober.get("/healthz")
    assert answered.status_code == 503
    assert "No cycle has finished for 61 minutes" in answered.json()["why"]


def test_row_131_health_is_told_while_somebody_else_writes(file_yard: Yard) -> None:
    finish_cycle(file_yard)
    with health(file_yard) as prober, file_yard.duskbell.engine.begin() as holding:
        holding.execute(text("UPDATE person SET name = name"))
        assert prober.get("/healthz").json()["ok"] is True


@pytest.mark.parametrize("by", [SIX_HOURS_BACK, -2 * MINUTE], ids=["six hours", "two minutes"])
def test_row_120_a_cycle_that_finished_ahead_of_the_clock_is_ill_until_the_next_one(
    yard: Yard, by: timedelta
) -> None:
    watch = build_watch(yard.duskbell)
    with health(yard) as prober:
        finish_cycle(yard)
        assert prober.get("/healthz").status_code == 200
        yard.set_clock(by)
        assert "ahead of the clock" in prober.get("/healthz").json()["why"]
        watch.look()
        assert "cycle" in yard.troubles()
        finish_cycle(yard)
        assert prober.get("/healthz").json() == {
            "ok": True,
            "last_cycle_finished_at": yard.wall.isoformat(),
        }


def test_row_120_a_clock_set_ahead_makes_no_silence(yard: Yard) -> None:
    with health(yard) as prober:
        finish_cycle(yard)
        assert prober.get("/healthz").status_code == 200
        yard.set_clock(3 * HOUR)
        assert prober.get("/healthz").status_code == 200
        yard.wall += 61 * MINUTE
        assert prober.get("/healthz").status_code == 503


def test_row_120_a_cycle_that_is_seen_late_is_as_old_as_its_row_says(yard: Yard) -> None:
    with health(yard) as prober:
        finish_cycle(yard)
        yard.wall += 40 * MINUTE
        assert prober.get("/healthz").status_code == 200
        yard.wall += 21 * MINUTE
        assert prober.get("/healthz").status_code == 503


def test_row_121_the_schedule_is_planned_anew_and_a_cycle_runs_at_once() -> None:
    ran = threading.Semaphore(0)
    chores = [Chore("watch", lambda: None, MINUTE), Chore("rare", lambda: None, 24 * HOUR)]
    with time_machine.travel(NOW, tick=True) as traveller:
        scheduler = build_scheduler(ran.release, 30, chores)
        scheduler.start()
        try:
            assert ran.acquire(timeout=20)
            traveller.shift(SIX_HOURS_BACK)
            plan_anew(scheduler, 30, chores)
            assert ran.acquire(timeout=20)
            now = datetime.now(UTC)
            planned = {job.id: job.next_run_time - now for job in scheduler.get_jobs()}
        finally:
            scheduler.shutdown()
    assert planned["cycle"] <= 32 * MINUTE
    assert planned["watch"] <= MINUTE
    assert planned["rare"] <= 24 * HOUR


class _AllWell:
    """Stands for what runs beside: nothing of it is tried here."""

    is_alive = True

    def start(self) -> None: ...


def test_row_121_the_service_notices_that_the_clock_was_set(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(single_process, "LOOK_EVERY_S", 0.0)
    stopping = yard.duskbell.delivery.stopping
    shown = iter([NOW, NOW, NOW + SIX_HOURS_BACK])
    yard.duskbell.clock = lambda: next(shown)
    well = _AllWell()
    noticed = []

    def note() -> None:
        noticed.append("set")
        stopping.set()

    look_after(yard.duskbell, cast(BackgroundSender, well), cast(Pages, well), note)
    yard.duskbell.clock = lambda: yard.wall
    assert noticed == ["set"]


def test_row_121_a_minute_that_has_been_before_has_a_cycle_of_its_own(both: Yard) -> None:
    for _ in range(3):
        finish_cycle(both)
        both.wall += 30 * MINUTE
    both.set_clock(-90 * MINUTE)
    for _ in range(3):
        finish_cycle(both)
        both.wall += 30 * MINUTE


def test_row_122_a_retry_is_not_late_by_what_the_clock_was_set_back(both: Yard) -> None:
    hook = Hook(lambda n: answer("503 Busy") if n == 1 else answer("204 No Content"))
    with Receiver(hook.script) as receiver:
        message = both.message(both.address("webhook", receiver.url), helps_for=12 * HOUR)
        assert both.deliver() == {"retry": 1}
        both.set_clock(SIX_HOURS_BACK)
        assert both.deliver(later=MINUTE) == {"sent": 1}
    assert both.status(message) is Status.SENT


def test_row_122_what_nobody_has_tried_yet_is_not_late_either(both: Yard) -> None:
    hook = Hook()
    with Receiver(hook.script) as receiver:
        both.message(both.address("webhook", receiver.url), helps_for=12 * HOUR)
        both.set_clock(SIX_HOURS_BACK)
        assert both.deliver() == {"sent": 1}


def test_row_122_a_retry_that_was_planned_by_this_clock_keeps_its_time(both: Yard) -> None:
    hook = Hook(lambda _: answer("503 Busy"))
    with Receiver(hook.script) as receiver:
        message = both.message(both.address("webhook", receiver.url))
        both.deliver()
        planned = both.row(message).due_at
        both.set_clock(-MINUTE)
        both.deliver()
    assert both.row(message).due_at == planned
    assert len(hook.heard) == 1


def test_row_122_a_lease_is_not_late_by_what_the_clock_was_set_back(both: Yard) -> None:
    hook = Hook()
    with Receiver(hook.script) as receiver:
        message = both.message(both.address("webhook", receiver.url), helps_for=12 * HOUR)
        with both.sessions.begin() as session:
            assert claim(session, message, both.wall)
        both.set_clock(SIX_HOURS_BACK)
        assert both.deliver() == {"sent": 1}


def test_row_122_feeds_and_limits_do_not_stay_closed_for_as_long(both: Yard) -> None:
    allowance, ahead = Allowance({3600: 10}), both.wall + 6 * HOUR
    with both.sessions.begin() as session:
        assert feed_state.take_turn(session, "p", "dead", ahead)
        assert feed_state.take_turn(session, "p", "mine", both.wall)
        assert feed_state.spend(session, "p", allowance, 9, ahead) is None
        assert feed_state.spend(session, "p", allowance, 9, both.wall) == 3600, "nothing is given twice"
        assert feed_state.spend(session, "p", allowance, 9, both.wall + HOUR) is None
        key = both.duskbell.keys
        while rate_limits.allow(session, key, "token", ahead, network="n"):
            pass
        assert not rate_limits.allow(session, key, "token", both.wall, network="n")
        assert rate_limits.allow(session, key, "token", both.wall + MINUTE, network="n")
