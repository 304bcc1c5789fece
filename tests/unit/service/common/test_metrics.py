"""What is counted of the feeds, by reason."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alerts.common.span import Span
from alerts.weather.quality_gates import QualityCheck
from service.app import Duskbell
from service.common.metrics import Metrics
from service.feeds.shared.model import FeedFailure, Gathered
from service.settings import Settings


@pytest.mark.parametrize(
    ("failure", "reason"),
    [
        (FeedFailure("nws", "", "no UTC", gate=QualityCheck.OFFSET), "offset"),
        (FeedFailure("nws", "", "down", status=503), "503"),
        (FeedFailure("nws", "", "slow down", retry_after=timedelta(minutes=5)), "throttled"),
        (FeedFailure("nws", "", "no connection"), "unanswered"),
    ],
    ids=["an answer that a gate rejected", "an error of the feed", "asked too often", "no answer"],
)
def test_what_a_feed_could_not_give_is_counted_by_its_reason(failure: FeedFailure, reason: str) -> None:
    metrics = Metrics()
    metrics.count_failures([(failure.feed, failure.why)] * 2)
    labels = {"feed": "nws", "reason": reason}
    assert metrics.registry.get_sample_value("duskbell_feed_failures_total", labels) == 2


def test_each_asking_of_the_feeds_is_counted(tmp_path: Path) -> None:
    gone = Gathered(failures=(FeedFailure("nws", "", "no connection"),))
    duskbell = Duskbell(
        Settings(data_dir=tmp_path, contact="me@example.org"), invented_weather=lambda *_: gone
    )
    noon = datetime(2027, 7, 3, 12, tzinfo=UTC)
    for _ in range(3):
        assert duskbell.gather([], Span(noon, noon + timedelta(hours=1))) == gone
    labels = {"feed": "nws", "reason": "unanswered"}
    assert duskbell.metrics.registry.get_sample_value("duskbell_feed_failures_total", labels) == 3
