"""One look at one night for one subscription: the rows it rests on, the verdict, the word it calls for, and
whether that is news."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from alerts.common.phrases import phrase
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.field.trip_plan import FieldPlan
from alerts.judging.verdict import trip_to
from alerts.notifying.model import (
    AlertKind,
    AlertLevel,
    NotificationDecision,
    NotificationInput,
    PastAlert,
    Why,
    held_since,
    silence,
)
from alerts.notifying.next_review import word_may_change
from alerts.notifying.policy import answer, build_seen
from service.pipeline.judging.site_inputs import NightVerdict, SiteInputs
from service.store.repositories import decisions, forecasts, messages
from service.store.repositories.alerts import alerts_raised, count_rings
from service.store.repositories.decisions import LastDecision, SubscriptionNight
from service.store.repositories.due_reviews import (
    NIGHTS_BACK,
    DueReview,
    ParsedWishes,
    lock_subscriptions,
    parsed_wishes,
    read_nights_due,
)
from service.store.repositories.messages import Status
from service.store.repositories.sites import newest_revision_ids

WEEK = timedelta(days=7)
_ENDED_UNSENT = (Status.FAILED, Status.EXPIRED, Status.SUPERSEDED, Status.SUPPRESSED)


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


@dataclass(frozen=True, slots=True)
class AlertStatus:
    """An alert that was raised before, and how far it came.

    is_live: it went out, may have, still waits to, or was cancelled by the operator.
    may_have_arrived: it went out or may have.
    """

    told: PastAlert
    is_live: bool
    may_have_arrived: bool


@dataclass(frozen=True, slots=True)
class InputSnapshot:
    """The rows that a look rests on, as far as they can change: the subscriptions, the newest decisions, what
    was raised and how far it came, the sites' descriptions, the newest answer of any feed."""

    watches: tuple[SubscriptionState, ...]
    before: Mapping[SubscriptionNight, LastDecision]
    history: Mapping[SubscriptionNight, list[AlertStatus]]
    revisions: Mapping[int, int]
    newest_forecast: int


def read_snapshot(session: Session, due: Sequence[DueReview], now: datetime) -> InputSnapshot:
    """The rows as they are now; some subscriptions may have been paused, ended or judged meanwhile."""
    watches = []
    looks = {each.subscription_id: each for each in due}
    for row in lock_subscriptions(session, list(looks), now):
        look = looks[row.subscription_id]
        if row.judged_at == now or not (row.is_active or look.owed_only):
            continue
        known = read_nights_due(row.nights_due, row.judged_at) if look.by_night else {}
        watches.append(
            SubscriptionState(
                row.subscription_id,
                row.address_id,
                row.site_id,
                parsed_wishes(row.wishes),
                not row.is_active,
                kit=row.kit,
                is_own=row.is_own,
                resting={name: at for name, at in known.items() if at > now and name not in look.stirred},
            )
        )

    # how often their addresses rang this week, where somebody asks for a limit
    limited = {each.address_id for each in watches if each.known.wishes.most_a_week is not None}
    if limited:
        rang = count_rings(session, limited, now - WEEK)
        watches = [replace(each, told_this_week=rang.get(each.address_id, 0)) for each in watches]

    ids, first = [watch.subscription_id for watch in watches], (now - NIGHTS_BACK).date()
    return InputSnapshot(
        tuple(watches),
        decisions.last_decisions(session, ids, first),
        _read_history(session, ids, first),
        newest_revision_ids(session, {watch.site_id for watch in watches}),
        forecasts.newest_id(session),
    )


def _read_history(
    session: Session, subscription_ids: Sequence[int], first: date
) -> dict[SubscriptionNight, list[AlertStatus]]:
    """The alerts raised so far for these subscriptions, by night, oldest first."""
    history: defaultdict[SubscriptionNight, list[AlertStatus]] = defaultdict(list)
    for each in alerts_raised(session, subscription_ids, first):
        arrived = each.dropped is None and (each.maybe_sent or each.status in (Status.SENT, Status.SENDING))
        waits = each.dropped is None and each.status not in _ENDED_UNSENT
        alert, facts = each.alert, each.alert.facts
        window, leave_by = facts.get("window"), facts.get("leave_by")
        told = PastAlert(
            kind=AlertKind(alert.kind),
            at=alert.raised_at,
            chance_pct=facts.get("chance_pct"),
            window=Span(*(datetime.fromisoformat(window[edge]) for edge in ("start", "end")))
            if window
            else None,
            leave_by=datetime.fromisoformat(leave_by) if leave_by else None,
            occurrence=alert.occurrence,
            why=Why(alert.why) if alert.why in set(Why) else None,
            is_last_word=bool(facts.get("is_last_word", False)),
        )
        is_live = arrived or waits or each.dropped == messages.CANCELLED
        history[alert.subscription_id, alert.night_name].append(AlertStatus(told, is_live, arrived))
    return dict(history)


@value(frozen=True, slots=True)
class Review:
    """What one look found. before: the newest decision until now; answers: the alert that a word answers.

    fingerprint: what of it is news when it changes, but for the word.
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
    fingerprint: str
    look_again_at: datetime

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
    snapshot: InputSnapshot,
    watch: SubscriptionState,
    site: SiteInputs,
    judged: NightVerdict,
    cycle: timedelta,
) -> Review:
    """Compare what was told with what is seen. cycle: time to the next run."""
    place, wishes, now = site.stored.site, watch.known.wishes, site.inputs.now
    key = (watch.subscription_id, judged.night.name)
    before, history = snapshot.before.get(key), snapshot.history.get(key, [])

    # what is seen, and since when it has been so
    trip = trip_to(judged.verdict, wishes, place)
    seen = build_seen(judged.verdict, judged.night.name, now, place.tz)
    stood = None
    if before is not None and before.rung_since is not None:
        stood = AlertLevel(before.rung), before.rung_since
    since = held_since(stood, seen.rung, now)

    look = NotificationInput(
        tuple(raised.told for raised in history if raised.is_live),
        replace(seen, held_since=since),
        now,
        cycle,
        wishes,
        trip,
        wishes.clock(place.tz),
        watch.told_this_week,
    )
    telling, told = answer(look, [raised.told for raised in history if raised.may_have_arrived])
    if watch.owed_only and telling.kind is not AlertKind.STAND_DOWN:
        telling = silence(Why.NO_NEWS, phrase("notifying.paused"))

    # counted over all that were ever raised, as the database does
    counts = (raised.told.occurrence for raised in history if raised.told.kind is telling.kind)
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
        occurrence=max(counts, default=0) + 1,
        fingerprint=f"{judged.fingerprint}|{seen.rung.value}",
        look_again_at=min(judged.may_change_at, word_may_change(look, telling)),
    )
