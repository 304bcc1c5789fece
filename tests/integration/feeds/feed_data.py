"""Recorded answers, and clients whose clocks the tests hold."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from service.feeds.shared.http_client import Limits, PoliteClient, TimeSource, identify

FILES = Path(__file__).parents[2] / "data/feeds"
QUICK = Limits(connect_s=0.5, read_s=0.4, whole_s=0.6, tries=1)
"""For what never comes to an end."""
SOON_S = 10
"""By any machine; uncut, what is slow in these tests would take twice as long and more."""


def read_bytes(name: str) -> bytes:
    return (FILES / name).read_bytes()


def read_json(name: str) -> Any:
    return json.loads(read_bytes(name))


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


class Clocks:
    """A wall clock, a monotonic clock and a sleep that only move when told to."""

    def __init__(self, now: str = "2026-10-09T12:00") -> None:
        self.now = utc(now)
        self.seconds = 0.0
        self.slept: list[float] = []

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.forward(seconds=seconds)

    def as_times(self) -> TimeSource:
        return TimeSource(lambda: self.now, lambda: self.seconds, self.sleep, lambda: 0.0)

    def forward(self, **time: float) -> None:
        passed = timedelta(**time)
        self.now += passed
        self.seconds += passed.total_seconds()


def held_client(clocks: Clocks, **how: Any) -> PoliteClient:
    """A client that lives by those clocks, with no jitter."""
    return PoliteClient(
        identify("ops@example.org"),
        times=clocks.as_times(),
        **how,
    )


def quick_client(**how: Any) -> PoliteClient:
    """A client on real clocks with a single try, and time enough for a busy machine's answers."""
    return PoliteClient(identify("ops@example.org"), **{"limits": Limits(5, 5, 10, tries=1), **how})


def cases(name: str) -> Iterator[dict[str, Any]]:
    yield from read_json(name)["cases"]
