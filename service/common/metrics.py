"""Numbers for Prometheus: counters of this process, and gauges read from the store when asked.

The counters start at nought with the process; rows in the store say the rest
(service/web/operator/monitoring.py).
"""

from __future__ import annotations

from collections.abc import Iterable

from prometheus_client import CollectorRegistry, Counter, Histogram

from alerts.common.phrases import say

SECONDS = (0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 20, 60)


class Metrics:
    """What this process counts, in a registry of its own."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.deliveries = Counter(
            "duskbell_deliveries",
            say("service-common.metric-deliveries"),
            ["channel", "result", "reason"],
            registry=self.registry,
        )
        self.send_seconds = Histogram(
            "duskbell_send_seconds",
            say("service-common.metric-send-seconds"),
            ["channel"],
            buckets=SECONDS,
            registry=self.registry,
        )
        self.blocked = Counter(
            "duskbell_ssrf_blocked",
            say("service-common.metric-blocked"),
            registry=self.registry,
        )
        self.bounces = Counter(
            "duskbell_bounces",
            say("service-common.metric-bounces"),
            ["kind"],
            registry=self.registry,
        )
        self.limited = Counter(
            "duskbell_limited", say("service-common.metric-limited"), ["act"], registry=self.registry
        )
        self.feed_failures = Counter(
            "duskbell_feed_failures",
            say("service-common.metric-feed-failures"),
            ["feed", "reason"],
            registry=self.registry,
        )

    def count_failures(self, failures: Iterable[tuple[str, str]]) -> None:
        """Count what feeds couldn't give: each failure by its feed and why."""
        for feed, why in failures:
            self.feed_failures.labels(feed, why).inc()


def reason_word(code: str) -> str:
    """A receiver's answer as a label with few values: the first word of the code."""
    return code.split(" ", 1)[0][:12] or "none"
