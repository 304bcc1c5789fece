"""What keeps a word back that would be due: caps, a hold on upward moves, quiet hours.

Nothing here keeps back a stand-down or a last word.

Quiet hours hold the word, not the decision: the next look after them judges anew. Words queued until morning
would tell of a night as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta, tzinfo

from alerts.common.phrases import phrase
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.field.trip_plan import FieldPlan
from alerts.notifying.model import (
    HEADS_UP_FROM_PCT,
    AlertKind,
    CurrentState,
    NotificationDecision,
    PastAlert,
    Why,
    silence,
)
from alerts.wishes.model import Wishes

GO_AGAIN_MARGIN_PCT = 5
"""A go after a stand-down needs this much more than the first, so that a chance which wavers about
the limit doesn't send people to and fro."""
SURE_MARGIN_PCT = 5
"""A chance this far above its limit is told at once; a lesser one must be seen twice."""
MOST_TOLD = 3
"""Heads-up, changed and repeated go together, per night; the first go and a stand-down always go out."""
HOLD = timedelta(minutes=20)
"""Shorter than a cycle and longer than its jitter: what holds this long was seen by two looks."""
CYCLE_SLACK = timedelta(minutes=5)
"""A cycle can start a little late, and its mail takes a moment: before quiet hours that must fit in."""


@value(frozen=True, slots=True)
class NotificationInput:
    """One look at one night: what was told, what is seen, and what the person asked for."""

    told: tuple[PastAlert, ...]
    seen: CurrentState
    now: datetime
    cycle: timedelta
    wishes: Wishes
    plan: FieldPlan | None
    clock: tzinfo
    told_this_week: int

    @property
    def _after_go(self) -> list[PastAlert]:
        """Everything told since the last go that wasn't one already, oldest first; empty when none stands."""
        chain: list[PastAlert] = []
        for entry in self.told:
            if entry.kind is AlertKind.STAND_DOWN:
                chain = []
            elif entry.kind is not AlertKind.HEADS_UP and entry.why is not Why.UNSETTLED:
                chain.append(entry)
        return chain

    @property
    def standing(self) -> PastAlert | None:
        """The go, or its last change, that hasn't been taken back."""
        chain = self._after_go
        return chain[-1] if chain else None

    @property
    def called_at(self) -> datetime:
        """When the standing go was first told; now when none stands."""
        chain = self._after_go
        return chain[0].at if chain else self.now

    @property
    def has_last_word(self) -> bool:
        return any(entry.is_last_word for entry in self._after_go)

    def next_occurrence(self, kind: AlertKind) -> int:
        return max((entry.occurrence for entry in self.told if entry.kind is kind), default=0) + 1


def kept_back(look: NotificationInput, wanted: NotificationDecision) -> NotificationDecision | None:
    """Silence with its reason, or the note that stands in for what is one too many; None to let it pass."""
    if _counts(wanted, look.told) and is_enough(look.told):
        return _unsettled(look, wanted)
    return _too_much_this_week(look, wanted) or _just_turned(look, wanted) or _quiet(look, wanted)


def _counts(wanted: NotificationDecision, told: Sequence[PastAlert]) -> bool:
    """Whether it counts toward the cap for one night; the first go doesn't."""
    return wanted.kind is not AlertKind.GO or any(entry.kind is AlertKind.GO for entry in told)


def is_enough(told: Sequence[PastAlert]) -> bool:
    """Whether the cap is reached: heads-up, changed and repeated go count, the rest doesn't.

    A first go, a stand-down and a last word are owed. A cap on all would let somebody drive into a storm.
    """
    kinds = [entry.kind for entry in told if entry.why not in (Why.LAST_WORD, Why.UNSETTLED)]
    repeated = max(0, kinds.count(AlertKind.GO) - 1)
    return kinds.count(AlertKind.HEADS_UP) + kinds.count(AlertKind.CHANGED) + repeated >= MOST_TOLD


def _unsettled(look: NotificationInput, wanted: NotificationDecision) -> NotificationDecision:
    """Past the cap one honest note, and then silence."""
    if any(entry.why is Why.UNSETTLED for entry in look.told):
        return silence(Why.ENOUGH_SAID, phrase("notifying.enough-said", cause=wanted.text, most=MOST_TOLD))
    note = replace(
        wanted,
        kind=AlertKind.CHANGED,
        why=Why.UNSETTLED,
        text=phrase("notifying.keeps-changing", cause=wanted.text),
        occurrence=look.next_occurrence(AlertKind.CHANGED),
    )
    return _quiet(look, note) or note


def _too_much_this_week(look: NotificationInput, wanted: NotificationDecision) -> NotificationDecision | None:
    most = look.wishes.most_a_week
    if most is None or wanted.kind is AlertKind.CHANGED or look.told_this_week < most:
        return None
    times = look.told_this_week
    text = phrase("notifying.enough-this-week", cause=wanted.text, times=times, most=most)
    return silence(Why.ENOUGH_THIS_WEEK, text)


def _just_turned(look: NotificationInput, wanted: NotificationDecision) -> NotificationDecision | None:
    """An upward move that only this look has seen, while there is time for another look. A heads-up whose
    limit lies above what is usual at the place has its margin in that."""
    limits_pct = {AlertKind.HEADS_UP: look.seen.heads_up_from_pct, AlertKind.GO: look.wishes.chance_go_pct}
    since, chance_pct = look.seen.held_since, look.seen.chance_pct
    if wanted.kind not in limits_pct or since is None or chance_pct is None:
        return None
    if wanted.kind is AlertKind.HEADS_UP and look.seen.heads_up_from_pct > HEADS_UP_FROM_PCT:
        return None
    sure = chance_pct >= min(100, limits_pct[wanted.kind] + SURE_MARGIN_PCT)
    if sure or look.now - since >= HOLD or not _has_time(look, wanted):
        return None
    return silence(Why.JUST_TURNED, phrase("notifying.just-turned", cause=wanted.text))


def _has_time(look: NotificationInput, wanted: NotificationDecision) -> bool:
    """Whether the next cycle comes before one must leave, and before quiet hours would hold it."""
    following = look.now + look.cycle + CYCLE_SLACK
    if wanted.kind is AlertKind.HEADS_UP:
        return wanted.expires_at is not None and following < wanted.expires_at
    in_time = look.plan is not None and following <= look.plan.leave_by
    return in_time and _quiet_end(look, following) is None


def _quiet(look: NotificationInput, wanted: NotificationDecision) -> NotificationDecision | None:
    """Quiet hours hold the word; from the told leave-by on nobody sleeps, so a change passes."""
    until = _quiet_end(look, look.now)
    standing = look.standing
    on_the_road = standing is not None and standing.leave_by is not None and standing.leave_by <= look.now
    if until is None or (wanted.kind is AlertKind.CHANGED and on_the_road):
        return None
    text = phrase("notifying.quiet-hours", cause=wanted.text, until=until).on(str(look.clock))
    return silence(Why.QUIET_HOURS, text)


def _quiet_end(look: NotificationInput, at: datetime) -> datetime | None:
    quiet = look.wishes.quiet.around(at, look.clock) if look.wishes.quiet else None
    return quiet.end if quiet else None


def go_due_from(look: NotificationInput, plan: FieldPlan) -> datetime:
    """From when on a go is said: the last cycle before the notice asked for, which is never so short that a
    cycle a little late comes after leave-by; a cycle sooner than quiet hours that would keep it too long."""
    wanted_at = plan.leave_by - max(look.wishes.notice, CYCLE_SLACK)
    asleep = _sleep_in_the_way(look, wanted_at, plan.leave_by)
    return wanted_at - look.cycle if asleep is None else asleep.start - look.cycle - CYCLE_SLACK


def _sleep_in_the_way(look: NotificationInput, wanted_at: datetime, leave_by: datetime) -> Span | None:
    """Quiet hours into which a go wanted then may fall; those aside that end before, and early enough."""
    quiet, late = look.wishes.quiet, look.cycle + CYCLE_SLACK
    if quiet is None:
        return None
    near = quiet.touching(Span(wanted_at - look.cycle, wanted_at + CYCLE_SLACK), look.clock)
    return next((span for span in near if span.end > wanted_at or span.end + late > leave_by), None)
