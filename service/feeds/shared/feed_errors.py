"""What can go wrong with a feed, each with a phrase that says so.

FeedError
├── FeedDown        no usable answer just now: no connection, a timeout, a server's own error
├── FeedRefused     asked in a way that will never work: 4xx, a redirect elsewhere
├── FeedThrottled   asked too often; `retry_after` says when to come back, if the feed does
└── BadAnswer       an answer that closed a quality gate
"""

from __future__ import annotations

from datetime import timedelta

from alerts.common.errors import DuskbellError
from alerts.common.phrases import Phrase, phrase
from alerts.weather.quality_gates import QualityCheck, Rejected


class FeedError(DuskbellError):
    """An answer or a connection that can't be used. `permanent`: asking again won't help."""

    permanent = False

    @property
    def what(self) -> Phrase:
        """What happened, as a code with its values."""
        found: Phrase = self.args[0]
        return found


class FeedDown(FeedError):
    """No usable answer just now. status: the HTTP status, None when there was none."""

    def __init__(self, what: Phrase, *, status: int | None = None) -> None:
        super().__init__(what)
        self.status = status


class FeedRefused(FeedError):
    """The feed understood and refused; 403 needs the operator, 400 and 404 another question."""

    permanent = True

    def __init__(self, what: Phrase, *, status: int | None = None, problem: str = "") -> None:
        super().__init__(what)
        self.status = status
        self.problem = problem


class FeedThrottled(FeedError):
    """Asked too often. retry_after: how long the feed wants to be left alone, None if it didn't say.

    reason: the feed's own words.
    """

    def __init__(self, what: Phrase, *, retry_after: timedelta | None = None, reason: str = "") -> None:
        super().__init__(what)
        self.retry_after = retry_after
        self.reason = reason


class BadAnswer(FeedError):
    """An answer that closed the named gate. fault: what is wrong with it, without the feed's name."""

    def __init__(self, what: Phrase, *, gate: QualityCheck, fault: Phrase | str = "") -> None:
        super().__init__(what)
        self.gate = gate
        self.fault = fault or what

    @classmethod
    def of(cls, feed: str, rejected: Rejected) -> BadAnswer:
        """Of that feed, by what a gate says."""
        return cls.about(feed, rejected.what, rejected.gate)

    @classmethod
    def about(cls, feed: str, what: Phrase | str, gate: QualityCheck) -> BadAnswer:
        """Of that feed, what is wrong with it."""
        return cls(phrase("feeds.of-feed", feed=feed, what=what), gate=gate, fault=what)


def raise_if(rejected: Rejected | None, feed: str) -> None:
    """BadAnswer of that feed where a gate closed."""
    if rejected is not None:
        raise BadAnswer.of(feed, rejected)


class NotAsked(FeedDown):
    """No time was left to ask; it says nothing about the feed."""


class AllowanceSpent(FeedThrottled):
    """Our own limit for a provider is used up; nothing was sent."""
