"""/metrics for Prometheus: this process's counters, and what the rows say at the moment of asking."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import ip_address

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric

from alerts.common.phrases import say
from service.accounts import access
from service.app import Duskbell
from service.store.repositories import tokens, totals
from service.store.repositories.cycles import last_finished
from service.store.repositories.messages import Status
from service.web.shared.context import Web

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"


def build_router(web: Web) -> APIRouter:
    router = APIRouter()
    duskbell = web.duskbell
    rows = CollectorRegistry()
    rows.register(RowsCollector(duskbell))

    def may_see(request: Request) -> bool:
        if duskbell.settings.metrics_open or is_this_machine(request):
            return True
        scheme, _, key = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() != "bearer":
            return False
        with duskbell.sessions() as session:
            row = access.check_api_key(session, key.strip(), duskbell.clock())
            return row is not None and tokens.may(row, tokens.Scope.METRICS)

    @router.get("/metrics")
    def metrics(request: Request) -> Response:
        if not may_see(request):
            raise HTTPException(404, say("web-operator.no-page"))
        text = generate_latest(duskbell.delivery.metrics.registry) + generate_latest(rows)
        return Response(text, media_type=CONTENT_TYPE)

    return router


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
