"""What monitors ask: /healthz for who restarts the service, /readyz for who sends it requests, and /metrics
for Prometheus, this process's counters and what the rows say at the moment of asking."""

from __future__ import annotations

import time
from collections.abc import Iterator
from ipaddress import ip_address

from anyio import to_thread
from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import JSONResponse, Response
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from sqlalchemy.exc import SQLAlchemyError

from alerts.common.errors import DuskbellError
from alerts.common.phrases import say
from service.accounts import access
from service.app import Duskbell
from service.store.engine import require_room, require_writable
from service.store.migrate import require_current
from service.store.repositories import tokens, totals
from service.store.repositories.cycles import last_finished
from service.store.repositories.messages import Status
from service.web.shared.context import Here, Web

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
COMMIT_EVERY_S = 60.0
COMMIT_AGAIN_AFTER_S = 5.0


router = APIRouter()


@router.get("/healthz")
async def healthz(web: Here) -> JSONResponse:
    return await to_thread.run_sync(health, web, limiter=web.monitors)


@router.get("/readyz")
async def readyz(web: Here) -> JSONResponse:
    return await to_thread.run_sync(readiness, web, limiter=web.monitors)


def _may_see(web: Web, request: Request) -> bool:
    duskbell = web.duskbell
    if duskbell.settings.metrics_open or is_this_machine(request):
        return True
    scheme, _, key = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer":
        return False
    with duskbell.sessions() as session:
        row = access.check_api_key(session, key.strip(), duskbell.clock())
        return row is not None and tokens.may(row, tokens.Scope.METRICS)


@router.get("/metrics")
def metrics(web: Here, request: Request) -> Response:
    if not _may_see(web, request):
        raise HTTPException(404, say("web-operator.no-page"))
    rows = CollectorRegistry()
    rows.register(RowsCollector(web.duskbell))
    text = generate_latest(web.duskbell.delivery.metrics.registry) + generate_latest(rows)
    return Response(text, media_type=CONTENT_TYPE)


def health(web: Web) -> JSONResponse:
    """200 while cycles finish; 503 when none did for two periods, the newest finished ahead of the clock, or
    the store can't be read. By a session that only reads, which waits for no writer."""
    duskbell = web.duskbell
    try:
        with web.reading() as session:
            last = last_finished(session)
            why_ill = web.silence.why_ill(session, duskbell.settings.cycle_minutes)
    except SQLAlchemyError as error:
        return JSONResponse(
            {"ok": False, "why": say("web-operator.store-unreadable", fault=type(error).__name__)}, 503
        )
    finished_at = last.finished_at if last else None
    answer: dict[str, object] = {
        "ok": not why_ill,
        "last_cycle_finished_at": finished_at.isoformat() if finished_at else None,
    }
    if why_ill:
        answer["why"] = why_ill
    return JSONResponse(answer, 503 if why_ill else 200)


def readiness(web: Web) -> JSONResponse:
    """200 when requests can be served: the store has this version's tables and takes rows.

    Whoever asks each second doesn't write each second: a row is committed once a minute, while it can't be
    every five seconds.
    """
    engine, trial = web.duskbell.engine, web.store_trial
    try:
        require_current(engine, create=False)
        require_room(engine)
    except (DuskbellError, SQLAlchemyError) as error:
        return _not_ready(error)
    with trial.lock:
        again_after_s = COMMIT_EVERY_S if trial.fault is None else COMMIT_AGAIN_AFTER_S
        if time.monotonic() - trial.at_s >= again_after_s:
            trial.fault = None
            try:
                require_writable(engine)
            except (DuskbellError, SQLAlchemyError) as error:
                trial.fault = error
            trial.at_s = time.monotonic()
        fault = trial.fault
    return JSONResponse({"ok": True}) if fault is None else _not_ready(fault)


def _not_ready(fault: DuskbellError | SQLAlchemyError) -> JSONResponse:
    """By its kind alone: anybody may ask, and where the files lie is nobody's business."""
    return JSONResponse({"ok": False, "why": type(fault).__name__}, 503)


def is_this_machine(request: Request) -> bool:
    """Whether the request comes from this machine itself and wasn't passed on for somebody else."""
    if request.client is None or "x-forwarded-for" in request.headers or "forwarded" in request.headers:
        return False
    try:
        return ip_address(request.client.host).is_loopback
    except ValueError:
        return False


class RowsCollector:
    """Asks the store when it is asked."""

    def __init__(self, duskbell: Duskbell) -> None:
        self._duskbell = duskbell

    def describe(self) -> list[Metric]:
        """Nothing in advance: registering must not ask the store."""
        return []

    def collect(self) -> Iterator[Metric]:
        now = self._duskbell.clock()
        with self._duskbell.sessions() as session:
            # messages
            rows = GaugeMetricFamily(
                "duskbell_outbox_rows", say("web-operator.metric-messages"), labels=["status"]
            )
            counts = {status.value: 0 for status in Status} | totals.messages_by_status(session)
            for status, count in counts.items():
                rows.add_metric([status], count)
            yield rows
            oldest = totals.oldest_due(session, now)
            waited_s = (now - oldest).total_seconds() if oldest else 0.0
            yield GaugeMetricFamily(
                "duskbell_outbox_oldest_due_seconds", say("web-operator.metric-oldest-due"), value=waited_s
            )

            # cycles and feeds
            last = last_finished(session)
            finished_s = last.finished_at.timestamp() if last and last.finished_at else 0.0
            yield GaugeMetricFamily(
                "duskbell_cycle_last_success_timestamp_seconds",
                say("web-operator.metric-last-cycle"),
                value=finished_s,
            )
            age = GaugeMetricFamily(
                "duskbell_feed_age_seconds", say("web-operator.metric-feed-age"), labels=["feed"]
            )
            for feed, fetched_at in totals.newest_answers(session).items():
                age.add_metric([feed], (now - fetched_at).total_seconds())
            yield age
            rejects = CounterMetricFamily(
                "duskbell_feed_rejects", say("web-operator.metric-feed-rejects"), labels=["feed"]
            )
            for feed, count in totals.refused_answers(session).items():
                rejects.add_metric([feed], count)
            yield rejects

            # decisions
            changes = CounterMetricFamily(
                "duskbell_decision_changes", say("web-operator.metric-decisions"), labels=["verdict"]
            )
            for verdict, count in totals.decisions_by_verdict(session).items():
                changes.add_metric([verdict], count)
            yield changes

            # what somebody should look at
            resting = len(totals.resting_hosts(session, now))
            yield GaugeMetricFamily(
                "duskbell_destinations_resting", say("web-operator.metric-resting"), value=resting
            )
            suppressed = GaugeMetricFamily(
                "duskbell_suppressed_addresses", say("web-operator.metric-suppressed"), labels=["reason"]
            )
            for reason, count in totals.suppressed_by_reason(session).items():
                suppressed.add_metric([reason], count)
            yield suppressed
            yield GaugeMetricFamily(
                "duskbell_troubles", say("web-operator.metric-troubles"), value=totals.open_troubles(session)
            )
