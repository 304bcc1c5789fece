"""What can go wrong with a feed, each told in one sentence.

FeedError
├── FeedDown        no usable answer just now: no connection, a timeout, a server's own error
├── FeedRefused     asked in a way that will never work: 4xx, a redirect elsewhere
├── FeedThrottled   asked too often; `retry_after` says when to come back, if the feed does
└── BadAnswer       an answer that closed a quality gate
"""

from __future__ import annotations

from datetime import timedelta

from alerts.common.errors import DuskbellError
from alerts.weather.quality_gates import Gate, Rejected


class FeedError(DuskbellError):
    """An answer or a connection that can't be used. `permanent`: asking again won't help."""

    permanent = False


class FeedDown(FeedError):
    """No usable answer just now. status: the HTTP status, None when there was none."""

    def __init__(self, text: str, *, status: int | None = None) -> None:
        super().__init__(text)
        self.status = status


class FeedRefused(FeedError):
    """The feed understood and refused; 403 needs the operator, 400 and 404 another question."""

    permanent = True

    def __init__(self, text: str, *, status: int | None = None, problem: str = "") -> None:
        super().__init__(text)
        self.status = status
        self.problem = problem


class FeedThrottled(FeedError):
    """Asked too often. retry_after: how long the feed wants to be left alone, None if it didn't say."""

    def __init__(self, text: str, *, retry_after: timedelta | None = None) -> None:
        super().__init__(text)
        self.retry_after = retry_after


class BadAnswer(FeedError):
    """An answer that closed the named gate."""

    def __init__(self, text: str, *, gate: Gate) -> None:
        super().__init__(text)
        self.gate = gate

    @classmethod
    def of(cls, feed: str, rejected: Rejected) -> BadAnswer:
        return cls(f"{feed}: {rejected.text}", gate=rejected.gate)


class NotAsked(FeedDown):
    """No time was left to ask; it says nothing about the feed."""


class AllowanceSpent(FeedThrottled):
    """Our own limit for a provider is used up; nothing was sent."""
