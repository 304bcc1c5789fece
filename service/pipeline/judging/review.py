"""One look at one night for one subscription: verdict, the word it calls for, and whether that is news."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from alerts.common.phrases import phrase
from alerts.common.plain_values import value
from alerts.field.trip_plan import FieldPlan
from alerts.judging.privacy import discreet, shared_site
from alerts.judging.verdict import Verdict, trip_to
from alerts.notifying.limits import NotificationInput
from alerts.notifying.model import (
    AlertKind,
    AlertLevel,
    NotificationDecision,
    PastAlert,
    Why,
    held_since,
    silence,
)
from alerts.notifying.next_review import word_may_change
from alerts.notifying.policy import answer, build_seen
from alerts.sites.model import Site
from alerts.wishes.model import Wishes
from service.pipeline.judging.shared_inputs import NightVerdict, SiteInputs
from service.store.repositories.decisions import LastDecision
from service.store.repositories.due_reviews import ParsedWishes


@dataclass(frozen=True, slots=True)
class SubscriptionState:
    """A subscription as it is judged. told_this_week: messages that rang at its address in seven days.

    kit: the camera and lens its messages are written for, "" for the default. is_own: the site is the
    person's own, and not one that somebody shares. resting: nights of which nothing new is known, and which
    the passing of time doesn't change before that moment.
    """

    subscription_id: int
    address_id: int
    site_id: int
    known: ParsedWishes
    owed_only: bool
    told_this_week: int = 0
    kit: str = ""
    is_own: bool = True
    resting: Mapping[date, datetime] = field(default_factory=dict)

    @property
    def wishes(self) -> Wishes:
        return self.known.wishes


@dataclass(frozen=True, slots=True)
class AlertStatus:
    """An alert that was raised before, and how far it came.

    is_live: it went out, may have, still waits to, or was cancelled by the operator.
    may_have_arrived: it went out or may have.
    """

    told: PastAlert
    is_live: bool
    may_have_arrived: bool


@value(frozen=True, slots=True)
class Review:
    """What one look found. before: the newest decision until now; answers: the alert that a word answers.

    look_again_at: from when on the passing of time alone can change anything here.
    """

    watch: SubscriptionState
    site: SiteInputs
    judged: NightVerdict
    trip: FieldPlan | None
    telling: NotificationDecision
    rung: AlertLevel
    rung_since: datetime
    before: LastDecision | None
    answers: PastAlert | None
    occurrence: int
    look_again_at: datetime

    @property
    def verdict(self) -> Verdict:
        return self.judged.verdict

    @property
    def place(self) -> Site:
        """The site as its messages may describe it: to others than its owner without what leads there."""
        site = self.site.stored.site
        return site if self.watch.is_own else shared_site(site)

    @property
    def told_verdict(self) -> Verdict:
        """The verdict as its messages may give it: without the site's note to others than its owner."""
        return self.verdict if self.watch.is_own else discreet(self.verdict)

    @property
    def fingerprint(self) -> str:
        return f"{self.judged.fingerprint}|{self.rung.value}"

    @property
    def is_news(self) -> bool:
        """Whether the verdict or the word is another one than the newest decision has."""
        before = self.before
        if before is None or self.telling.kind is not None:
            return True
        if (before.fingerprint, before.night_id) != (self.fingerprint, self.judged.night.night_id):
            return True
        holds = self.telling.why is Why.NO_NEWS and before.told is not None
        return self.telling.why != before.why and not holds


def review_night(
    watch: SubscriptionState,
    site: SiteInputs,
    judged: NightVerdict,
    before: LastDecision | None,
    history: Sequence[AlertStatus],
    *,
    now: datetime,
    cycle: timedelta,
) -> Review:
    """Compare what was told with what is seen."""
    place, wishes, verdict = site.stored.site, watch.wishes, judged.verdict
    trip = trip_to(verdict, wishes, place)
    seen = build_seen(verdict, judged.night.name, now, place.tz)
    since = held_since(_stood(before), seen.rung, now)
    seen = replace(seen, held_since=since)
    live = [raised.told for raised in history if raised.is_live]
    look = NotificationInput(
        tuple(live), seen, now, cycle, wishes, trip, wishes.clock(place.tz), watch.told_this_week
    )
    telling, told = answer(look, [raised.told for raised in history if raised.may_have_arrived])
    if watch.owed_only and telling.kind is not AlertKind.STAND_DOWN:
        telling = silence(Why.NO_NEWS, phrase("notifying.paused"))
    may_change = [judged.may_change_at, word_may_change(look, telling)]
    return Review(
        watch=watch,
        site=site,
        judged=judged,
        trip=trip,
        telling=telling,
        rung=seen.rung,
        rung_since=since,
        before=before,
        answers=told[-1] if told else None,
        occurrence=_next_occurrence(telling, history),
        look_again_at=min(may_change),
    )


def _stood(before: LastDecision | None) -> tuple[AlertLevel, datetime] | None:
    if before is None or before.rung_since is None:
        return None
    return AlertLevel(before.rung), before.rung_since


def _next_occurrence(telling: NotificationDecision, history: Sequence[AlertStatus]) -> int:
    """Counted over all that were ever raised, as the database does."""
    mine = (raised.told.occurrence for raised in history if raised.told.kind is telling.kind)
    return max(mine, default=0) + 1
