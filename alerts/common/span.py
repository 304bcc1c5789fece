"""Half-open spans of UTC time, and the set arithmetic on them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

from alerts.common.plain_values import value


def require_utc(at: datetime, name: str = "time") -> datetime:
    """Return `at` in UTC; raise ValueError for a naive time, showing the fix."""
    if at.tzinfo is None:
        raise ValueError(f"{name} has no zone: write {at.isoformat()}+00:00 or attach one")
    return at.astimezone(UTC)


@value(frozen=True, slots=True, order=True)
class Span:
    """A half-open span [start, end) of aware times, which it keeps in UTC; start < end."""

    start: datetime
    end: datetime

    def __post_init__(self) -> None:
        if self.start.tzinfo is not UTC or self.end.tzinfo is not UTC:
            # Times of one zone object compare ten times as fast as those of two that mean the same: turned
            # here once, not wherever they are compared.
            if self.start.tzinfo is None or self.end.tzinfo is None:
                raise ValueError("a span needs aware UTC times")
            object.__setattr__(self, "start", self.start.astimezone(UTC))
            object.__setattr__(self, "end", self.end.astimezone(UTC))
        if not self.start < self.end:
            raise ValueError(f"a span must end after it starts: {self.start} .. {self.end}")

    @property
    def duration(self) -> timedelta:
        return self.end - self.start

    @property
    def minutes(self) -> float:
        return self.duration.total_seconds() / 60

    @property
    def middle(self) -> datetime:
        return self.start + self.duration / 2

    def contains(self, at: datetime) -> bool:
        return self.start <= at < self.end

    def overlap(self, other: Span) -> Span | None:
        """The part both share, or None when they share no time."""
        start, end = max(self.start, other.start), min(self.end, other.end)
        return Span(start, end) if start < end else None


def intersect(left: Iterable[Span], right: Sequence[Span]) -> tuple[Span, ...]:
    """The time that lies in some span of both, ascending."""
    shared = (a.overlap(b) for a in left for b in right)
    return tuple(sorted(span for span in shared if span is not None))
