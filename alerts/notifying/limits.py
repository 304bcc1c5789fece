"""What keeps a word back that would be due: caps, a hold on upward moves, quiet hours. And whether one that
was raised still says something true, and may ring now.

Nothing here keeps back a stand-down or a last word.

Quiet hours hold the word, not the decision: the next look after them judges anew. Words queued until morning
would tell of a night as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta, tzinfo

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.field.trip_plan import FieldPlan
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import (
    HEADS_UP_FROM_PCT,
    AlertKind,
    NotificationDecision,
    NotificationInput,
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


def kept_back(look: NotificationInput, wanted: NotificationDecision) -> NotificationDecision | None:
    """Silence with its reason, or the note that stands in for what is one too many; None to let it pass."""
    # past the cap for one night, toward which the first go doesn't count, one honest note, and then silence
    counts = wanted.kind is not AlertKind.GO or any(entry.kind is AlertKind.GO for entry in look.told)
    if counts and is_enough(look.told):
        if any(entry.why is Why.UNSETTLED for entry in look.told):
            enough = phrase("notifying.enough-said", cause=wanted.text, most=MOST_TOLD)
            return silence(Why.ENOUGH_SAID, enough)
        note = replace(
            wanted,
            kind=AlertKind.CHANGED,
            why=Why.UNSETTLED,
            text=phrase("notifying.keeps-changing", cause=wanted.text),
            occurrence=look.next_occurrence(AlertKind.CHANGED),
        )
        return _quiet(look, note) or note

    most, times = look.wishes.most_a_week, look.told_this_week
    if most is not None and wanted.kind is not AlertKind.CHANGED and times >= most:
        text = phrase("notifying.enough-this-week", cause=wanted.text, times=times, most=most)
        return silence(Why.ENOUGH_THIS_WEEK, text)
    if _has_just_turned(look, wanted):
        return silence(Why.JUST_TURNED, phrase("notifying.just-turned", cause=wanted.text))
    return _quiet(look, wanted)


def is_enough(told: Sequence[PastAlert]) -> bool:
    """Whether the cap is reached: heads-up, changed and repeated go count, the rest doesn't.

    A first go, a stand-down and a last word are owed. A cap on all would let somebody drive into a storm.
    """
    kinds = [entry.kind for entry in told if entry.why not in (Why.LAST_WORD, Why.UNSETTLED)]
    repeated = max(0, kinds.count(AlertKind.GO) - 1)
    return kinds.count(AlertKind.HEADS_UP) + kinds.count(AlertKind.CHANGED) + repeated >= MOST_TOLD


def _has_just_turned(look: NotificationInput, wanted: NotificationDecision) -> bool:
    """An upward move that only this look has seen, while there is time for another look. A heads-up whose
    limit lies above what is usual at the place has its margin in that."""
    seen, is_heads_up = look.seen, wanted.kind is AlertKind.HEADS_UP
    if seen.held_since is None or seen.chance_pct is None or not (is_heads_up or wanted.kind is AlertKind.GO):
        return False
    if is_heads_up and seen.heads_up_from_pct > HEADS_UP_FROM_PCT:
        return False
    limit_pct = seen.heads_up_from_pct if is_heads_up else look.wishes.chance_go_pct
    if seen.chance_pct >= min(100, limit_pct + SURE_MARGIN_PCT) or look.now - seen.held_since >= HOLD:
        return False

    # the next look must come before one leaves, and before quiet hours would hold the word
    following = look.now + look.cycle + CYCLE_SLACK
    if is_heads_up:
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
    if look.wishes.quiet is None:
        return wanted_at - look.cycle
    # quiet hours into which a go wanted then may fall; those aside that end before, and early enough
    late = look.cycle + CYCLE_SLACK
    near = look.wishes.quiet.touching(Span(wanted_at - look.cycle, wanted_at + CYCLE_SLACK), look.clock)
    asleep = (span.start for span in near if span.end > wanted_at or span.end + late > plan.leave_by)
    begins = next(asleep, None)
    return wanted_at - look.cycle if begins is None else begins - look.cycle - CYCLE_SLACK


def is_taken_back(chance_pct: int | None, wishes: Wishes) -> bool:
    """Whether the chance alone takes a go back; never one that is unknown, nor any where the limit is 0.

    Some points below the limit: at the limit itself one point would turn people round. In between the last
    word and the record say so. Hazards and a gone window wait for no margin.
    """
    if chance_pct is None or not wishes.chance_back_pct:
        return False
    return chance_pct <= wishes.taken_back_at_pct


def find_doubt(chance_pct: int | None, wishes: Wishes) -> Phrase | None:
    """`under your limit of 50 % but not by the 5 points that would turn you round`; None for others."""
    limit_pct = wishes.chance_back_pct
    if chance_pct is None or chance_pct >= limit_pct or is_taken_back(chance_pct, wishes):
        return None
    return phrase("notifying.doubt", limit_pct=limit_pct, points=limit_pct - wishes.taken_back_at_pct)


def still_stands(
    kind: AlertKind,
    verdict: VerdictWord | None,
    chance_pct: int | None,
    wishes: Wishes,
    *,
    is_first: bool = False,
) -> bool:
    """Whether the newest decision still carries this alert.

    An upward alert falls when the night is now to be stayed home for, or its chance would
    take a go back; a first word (is_first: a heads-up or a go that no other came before), which nobody
    relies on yet, already below the limit. Unknown alone doesn't fell it: nothing new was learnt. A
    stand-down falls only when the night is a go again. No decision at all (None) fells nothing.
    """
    if verdict is None:
        return True
    if kind is AlertKind.STAND_DOWN:
        return verdict is not VerdictWord.GO
    if verdict is VerdictWord.STAY:
        return False
    if is_first:
        return chance_pct is None or chance_pct >= wishes.chance_back_pct
    return not is_taken_back(chance_pct, wishes)


def is_first_word(kind: AlertKind, occurrence: int) -> bool:
    return kind in (AlertKind.HEADS_UP, AlertKind.GO) and occurrence == 1


def quiet_until(
    kind: AlertKind, *, now: datetime, leave_by: datetime | None, wishes: Wishes, clock: tzinfo
) -> datetime | None:
    """Until when quiet hours hold a message that was delayed into them; None when it may ring.

    Only what can wait is held: a heads-up, and a go or change for which one needn't leave before the quiet
    ends. What was said in time and comes late is worth more than a night's sleep; a stand-down always is.
    """
    quiet = wishes.quiet.around(now, clock) if wishes.quiet else None
    if quiet is None or kind is AlertKind.STAND_DOWN:
        return None
    if kind is not AlertKind.HEADS_UP and leave_by is not None and leave_by < quiet.end:
        return None
    return quiet.end
