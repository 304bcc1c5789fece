"""One cycle: all stages in order, once a tick."""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import nullcontext
from datetime import datetime, timedelta

from sqlalchemy.exc import DBAPIError

from alerts.common.phrases import say
from alerts.judging.obstacles import Level
from service.app import Duskbell
from service.delivery import dispatcher
from service.hindsight import verification
from service.hindsight.verification import Verifying
from service.pipeline import judge_stage, refresh_stage, sky_stage, station_stage
from service.pipeline.judge_stage import Judging
from service.pipeline.judging.process_pool import ProcessPool, usual_processes
from service.reports.ring_check import RingCheck
from service.store.engine import may_pass, patient, sqlite_file
from service.store.locking import try_cycle
from service.store.repositories import cycles

log = logging.getLogger(__name__)

RESTS_S = (5.0, 30.0)
"""Before a cycle for which the store was busy is tried again."""


def run_cycle(duskbell: Duskbell, now: datetime, tell: Callable[[str], object] = log.info) -> dict[str, int]:
    """Run the stages as of `now`; what each did.

    A tick that already ran only delivers what is due, as does one that comes while another cycle is under
    way; `tell` is told that.

    A cycle that died half-way is taken up again by the next call: every stage finds its rows anew. So one
    that the store was too busy for is tried again after a rest, and not left to the next tick.
    """
    for rest_s in (*RESTS_S, None):
        try:
            with patient():
                return _run_once(duskbell, now, tell)
        except DBAPIError as error:
            if rest_s is None or not may_pass(error) or duskbell.delivery.stopping.is_set():
                raise
            log.warning("the cycle is tried again in %.0f s: %s", rest_s, error.orig)
        if duskbell.delivery.stopping.wait(rest_s):
            break
    return {}


def _run_once(duskbell: Duskbell, now: datetime, tell: Callable[[str], object]) -> dict[str, int]:
    counts: dict[str, int] = {}
    barred = ""
    with try_cycle(duskbell.engine) as is_alone:
        cycle = None
        if is_alone:
            with duskbell.sessions.begin() as session:
                cycle = cycles.begin(session, now, duskbell.clock())
        if cycle is None:
            tell(say("pipeline.cycle-has-run") if is_alone else say("pipeline.cycle-is-running"))
        else:
            counts.update(think(duskbell, now))
        counts.update(dispatcher.run(duskbell.delivery, now))
        if cycle is not None:
            counts.update(verification.run(verifying_from(duskbell), now))
            with duskbell.sessions.begin() as session:
                cycles.finish(session, cycle.id, duskbell.clock(), counts)
    if cycle is not None:
        with duskbell.sessions() as session:
            found = RingCheck(duskbell, session, now).of_all()
        barred = ", ".join(each.brief for each in found if each.obstacle.level is not Level.NOTE)
    said = f"; can't ring: {barred}" if barred else ""
    log.info("cycle %s: %s%s", now.isoformat(timespec="minutes"), counts or "nothing to do", said)
    return counts


def think(duskbell: Duskbell, now: datetime) -> dict[str, int]:
    """The stages up to telling; what each did."""
    counts: dict[str, int] = {}
    # other processes share the thinking, as the settings have it; on another database than an SQLite file a
    # fleet does that
    url, settings = duskbell.engine.url, duskbell.settings
    processes = settings.cycle_processes or usual_processes()
    is_shared = processes >= 2 and url.get_backend_name() == "sqlite" and sqlite_file(url) is not None
    with ProcessPool(settings.store_url, processes) if is_shared else nullcontext() as pool:
        if added := sky_stage.run(duskbell.sessions, duskbell.ephemeris, now, pool):
            counts["nights"] = added
        counts.update(refresh_stage.run(duskbell.sessions, duskbell.gather, now))
        counts.update(station_stage.run(duskbell.sessions, duskbell.observe, now))
        every = timedelta(minutes=settings.cycle_minutes)
        judging = Judging(
            duskbell.sessions, every, invented=duskbell.invented, ephemeris=duskbell.ephemeris, pool=pool
        )
        counts.update(judge_stage.run(judging, now, duskbell.clock()))
    return counts


def verifying_from(duskbell: Duskbell) -> Verifying:
    """As the settings describe it."""
    aside = duskbell.settings.line_of_sight
    return Verifying(duskbell.sessions, duskbell.observe, duskbell.gather, as_aside=aside)
