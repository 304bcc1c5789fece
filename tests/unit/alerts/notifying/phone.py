"""One person's phone and mind: the alerts that were raised, how each fared, and what they add up to.

A second opinion on the ladder, in other words than its own: who was called out, who was called back.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum

from alerts.field.trip_plan import FieldPlan
from alerts.notifying.model import AlertKind, NotificationDecision, PastAlert, Why

RINGS = (AlertKind.HEADS_UP, AlertKind.GO, AlertKind.CHANGED)
CALLS = (AlertKind.GO, AlertKind.CHANGED)


class Fate(StrEnum):
    WAITS = "waits"
    SENT = "sent"
    FAILED = "failed"
    EXPIRED = "expired"
    SUPERSEDED = "superseded"


@dataclass(slots=True)
class Post:
    """An alert that was raised. maybe: an attempt at it ended in doubt. plan: as it was then."""

    night: date
    told: PastAlert
    telling: NotificationDecision
    plan: FieldPlan | None
    fate: Fate = Fate.WAITS
    maybe: bool = False

    @property
    def may_have_arrived(self) -> bool:
        return self.fate is Fate.SENT or self.maybe

    @property
    def is_live(self) -> bool:
        return self.may_have_arrived or self.fate is Fate.WAITS

    @property
    def expires_at(self) -> datetime:
        assert self.telling.expires_at is not None, "what is told expires"
        return self.telling.expires_at


@dataclass(slots=True)
class Phone:
    posts: list[Post] = field(default_factory=list)

    def of(self, night: date) -> list[Post]:
        return [post for post in self.posts if post.night == night]

    @property
    def waiting(self) -> Iterator[Post]:
        return (post for post in self.posts if post.fate is Fate.WAITS)

    def live(self, night: date) -> tuple[PastAlert, ...]:
        return tuple(post.told for post in self.of(night) if post.is_live)

    def arrived(self, night: date) -> tuple[PastAlert, ...]:
        return tuple(post.told for post in self.of(night) if post.may_have_arrived)

    def called_out(self, night: date) -> PastAlert | None:
        """The last call that may have reached them and that no stand-down, sent or waiting, takes back."""
        out: PastAlert | None = None
        for post in self.of(night):
            if post.told.kind in CALLS and post.may_have_arrived and post.told.why is not Why.UNSETTLED:
                out = post.told
            elif post.told.kind is AlertKind.STAND_DOWN and post.is_live:
                out = None
        return out

    def next_occurrence(self, night: date, kind: AlertKind) -> int:
        return 1 + max((p.told.occurrence for p in self.of(night) if p.told.kind is kind), default=0)

    def rang_this_week(self, now: datetime) -> int:
        week_ago = now - timedelta(days=7)
        return len(
            {
                post.told.at
                for post in self.posts
                if post.told.kind in RINGS and post.told.at > week_ago and post.told.why is not Why.LAST_WORD
            }
        )

    def counted(self, night: date) -> int:
        """Heads-ups, changes and repeated goes that went out or still may."""
        live = [post.told for post in self.of(night) if post.is_live]
        plain = [told.kind for told in live if told.why not in (Why.LAST_WORD, Why.UNSETTLED)]
        goes = plain.count(AlertKind.GO)
        return plain.count(AlertKind.HEADS_UP) + plain.count(AlertKind.CHANGED) + max(0, goes - 1)
