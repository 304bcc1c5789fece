"""What stands between the client and a feed: its breaker and its provider's allowance."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import Protocol

from service.common.deadline import Deadline
from service.feeds.shared.feed_errors import FeedError


@dataclass(frozen=True, slots=True)
class Spent:
    """What one provider was asked: requests sent, and their weight by its own count."""

    provider: str
    requests: int
    weight: float


class Guards(Protocol):
    """Called from several threads at once, for every feed by its name."""

    def refusal(self, feed: str) -> FeedError | None:
        """Why the feed isn't to be asked now; None when it is."""

    def turn(self, feed: str, weight: float, deadline: Deadline) -> AbstractContextManager[None]:
        """Hold while one request is sent. Waits for the allowance; raises AllowanceSpent where that takes
        longer than the deadline."""

    def note(self, feed: str, error: FeedError | None) -> None:
        """How a request went, with all its tries; None: well."""

    @property
    def spent(self) -> tuple[Spent, ...]:
        """What was asked through these guards so far, by provider."""


class NoGuards:
    """For one question without a store behind it: nothing is counted and nobody is left alone."""

    spent: tuple[Spent, ...] = ()

    def refusal(self, feed: str) -> FeedError | None:
        return None

    @contextmanager
    def turn(self, feed: str, weight: float, deadline: Deadline) -> Iterator[None]:
        yield

    def note(self, feed: str, error: FeedError | None) -> None:
        return None
