"""What was told of a night, and what is seen of it now -> what to tell, and why; silence included.

The ladder: a heads-up days ahead, a go on the day, a change of times after it, a last word before the
phone goes silent, a stand-down when it turns bad. Everything is a comparison of values; nothing here
remembers. What keeps a word back that would be due (quiet hours, caps, holds) is in limits.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta, tzinfo

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.field.trip_plan import FieldPlan
from alerts.judging.rules import LINEAGES_NEEDED, Result
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.notifying.limits import (
    GO_AGAIN_MARGIN_PCT,
    find_doubt,
    go_due_from,
    is_enough,
    is_taken_back,
    kept_back,
)
from alerts.notifying.model import (
    HEADS_UP_FROM_PCT,
    AlertKind,
    CurrentState,
    NotificationDecision,
    NotificationInput,
    PastAlert,
    Why,
    WindowState,
    silence,
)

LEAVE_BY_MOVES = timedelta(minutes=20)
WINDOW_MOVES = timedelta(minutes=30)
LAST_WORD_LEAD = timedelta(minutes=10)
"""How long before the phone goes silent the last word must be on its way."""
MUST_BE_SAID = (Why.TURNED_BAD, Why.HAZARD, Why.WINDOW_GONE, Why.OTHER_WINDOW, Why.LAST_WORD)
"""No quiet hours, hold or cap keeps these back: someone may be on the road."""


def build_seen(verdict: Verdict, night_name: date, now: datetime, zone: tzinfo) -> CurrentState:
    """What the ladder needs of a verdict, but for `held_since`, which rests on its level."""
    failing = [reason.rule for reason in verdict.reasons if reason.result is Result.FAIL]
    outlook = verdict.outlook
    also = (
        WindowState(
            other.word,
            other.chance_pct,
            other.usable,
            other.deciding.rule,
            other.outlook.whole_pct if other.outlook else None,
        )
        for other in verdict.others
        if other.usable is not None
    )
    return CurrentState(
        word=verdict.word,
        chance_pct=verdict.chance_pct,
        window=verdict.usable,
        lineages=len(outlook.lineages) if outlook else 0,
        days_ahead=(night_name - now.astimezone(zone).date()).days,
        hazards=verdict.failing_hazards,
        is_over="over" in failing,
        decided_by=verdict.deciding.rule,
        also=tuple(also),
        usual_pct=outlook.usual_pct if outlook else None,
        whole_pct=outlook.whole_pct if outlook else None,
    )


def what_to_tell(look: NotificationInput) -> NotificationDecision:
    """What to tell of one night to one subscription now, and why. What is kept back keeps no last word back
    with it."""
    wanted = _wanted(look)
    if wanted.kind is None or wanted.why in MUST_BE_SAID:
        return wanted
    kept = kept_back(look, wanted)
    if kept is None:
        return wanted
    last = None if look.standing is None else _last_word(look, look.standing)
    return last or kept


def answer(
    look: NotificationInput, arrived: Sequence[PastAlert]
) -> tuple[NotificationDecision, Sequence[PastAlert]]:
    """What to tell, and the alerts that it answers, where some of them may still wait to be sent.

    look.told: all that went out, may have, or still may. arrived: those that went out or may have. A
    stand-down exists only if the go it takes back is among these, as nobody needs to be told off what they
    never heard; a go that still waits is left to the sender, which drops it because the newest decision no
    longer carries it.
    """
    telling = what_to_tell(look)
    if telling.kind is not AlertKind.STAND_DOWN:
        return telling, look.told
    return what_to_tell(replace(look, told=tuple(arrived))), arrived


def _wanted(look: NotificationInput) -> NotificationDecision:
    """What the night calls for, by what was told of it."""
    seen, plan = look.seen, look.plan
    if (standing := look.standing) is not None:
        return _after_go(look, standing)
    if seen.window is None or plan is None:
        return silence(Why.NO_WINDOW, phrase("notifying.no-window"))
    if seen.is_over or seen.window.end <= look.now:
        return silence(Why.NIGHT_OVER, phrase("notifying.window-passed"))
    if seen.word is VerdictWord.GO:
        return _good_tonight(look, plan)
    if seen.word is VerdictWord.UNKNOWN:
        return silence(Why.CANNOT_SAY, phrase("notifying.cannot-say"))
    if seen.word is VerdictWord.WAIT and seen.days_ahead > 0:
        return _good_ahead(look, plan)
    return _not_good(look)


def _after_go(look: NotificationInput, standing: PastAlert) -> NotificationDecision:
    """Someone may be on the road: take it back at once, tell a shift, give the last word, or stay silent.

    Unknown alone takes nothing back: nothing was learnt against the night.
    """
    seen, now, plan = look.seen, look.now, look.plan
    promised = standing.window or seen.window
    if promised is None or promised.end <= now:
        return silence(Why.NIGHT_OVER, phrase("notifying.told-window-passed"))
    if _is_elsewhere(promised, seen) and now >= promised.end - look.wishes.shortest_window:
        return silence(Why.NIGHT_OVER, phrase("notifying.told-window-ending"))
    if (bad := _turned_bad(standing, promised, look)) is not None:
        return _say(look, AlertKind.STAND_DOWN, *bad, promised.end)
    if plan is not None and (shift := _shift(standing, promised, look, plan)) is not None:
        expires_at = plan.latest_departure if now < plan.latest_departure else plan.window.end
        return _say(look, AlertKind.CHANGED, *shift, expires_at)
    if (last := _last_word(look, standing)) is not None:
        return last

    # nothing new
    if seen.word is VerdictWord.UNKNOWN:
        return silence(Why.CANNOT_SAY, phrase("notifying.nothing-against"))
    if plan is not None and plan.window.end <= now:
        return silence(Why.NIGHT_OVER, phrase("notifying.window-passed"))
    told_pct, best_pct = standing.chance_pct, seen.best_pct
    if (doubt := find_doubt(best_pct, look.wishes)) is not None:
        text = phrase("notifying.holds-doubt", told_pct=told_pct, chance_pct=best_pct, doubt=doubt)
        return silence(Why.NO_NEWS, text)
    return silence(Why.NO_NEWS, phrase("notifying.holds", told_pct=told_pct))


def _turned_bad(standing: PastAlert, promised: Span, look: NotificationInput) -> tuple[Why, Phrase] | None:
    """What takes back a go: a hazard, no window, a chance below the limit by the margin, or a stay for
    any reason but that the window is ending or that the chance lies above what takes back. Once the window
    has begun, what is left of it must be lost and the event not have come in what has passed."""
    seen = look.seen
    if _is_elsewhere(promised, seen):  # unless the night's better window is a go, and no change too many
        if _still_holds(promised, look) or (seen.word is VerdictWord.GO and not is_enough(look.told)):
            return None
        return Why.TURNED_BAD, phrase("notifying.told-window-gone")
    if seen.hazards:
        return Why.HAZARD, phrase("notifying.hazards-beyond", hazards=seen.hazards)
    if seen.window is None and seen.word is VerdictWord.STAY:
        return Why.WINDOW_GONE, phrase("notifying.window-gone")
    if is_taken_back(seen.best_pct, look.wishes):
        limit_pct, told_pct = look.wishes.chance_back_pct, standing.chance_pct
        text = phrase(
            "notifying.chance-fell", chance_pct=seen.best_pct, told_pct=told_pct, limit_pct=limit_pct
        )
        return Why.TURNED_BAD, text
    if seen.word is VerdictWord.STAY and not seen.is_over and seen.decided_by != "chance":
        return Why.TURNED_BAD, phrase("notifying.wishes-not-met")
    return None


def _is_elsewhere(promised: Span, seen: CurrentState) -> bool:
    """Whether the verdict now speaks of another window than the one that was told."""
    return seen.window is not None and seen.window.overlap(promised) is None


def _still_holds(promised: Span, look: NotificationInput) -> bool:
    """Whether the window that was told would still do, or nobody knows, while another one looks better."""
    for mine in look.seen.also:
        if mine.window is not None and mine.window.overlap(promised) is not None:
            holds = mine.word is not VerdictWord.STAY or mine.decided_by in ("over", "chance")
            return holds and not is_taken_back(mine.best_pct, look.wishes)
    return False


def _shift(
    standing: PastAlert, promised: Span, look: NotificationInput, plan: FieldPlan
) -> tuple[Why, Phrase] | None:
    """How the trip moved from what was told, when that matters: by how much leaving, the window's start or
    its end moved, the first that does. None when none does."""
    if look.seen.word is VerdictWord.UNKNOWN or plan.window.end <= look.now:
        return None
    if _is_elsewhere(promised, look.seen):
        holds = _still_holds(promised, look)
        return None if holds else (Why.OTHER_WINDOW, phrase("notifying.other-window-holds"))
    told, now, by = standing.window, plan.window, timedelta(0)
    moved = None
    if standing.leave_by is not None and abs(by := plan.leave_by - standing.leave_by) >= LEAVE_BY_MOVES:
        moved = "notifying.leave-moved"
    elif told is not None and abs(by := now.start - told.start) >= WINDOW_MOVES:
        moved = "notifying.start-moved"
    elif told is not None and abs(by := now.end - told.end) >= WINDOW_MOVES:
        moved = "notifying.end-moved"
    if moved is None:
        return None
    minutes = round(abs(by) / timedelta(minutes=1))
    return Why.MOVED, phrase(moved, minutes=minutes, is_later=by > timedelta(0))


def _last_word(look: NotificationInput, standing: PastAlert) -> NotificationDecision | None:
    """The promised confirmation in the last cycle before the phone goes silent; None when it isn't due.

    Owed to whoever was called and loses the signal. At a fixed hour it would come after some have lost it.
    """
    lost_at = look.signal_lost_at(standing.leave_by)
    if lost_at is None or not _is_last_chance(look, lost_at):
        return None
    if any(entry.is_last_word for entry in look.after_go):
        return None
    if look.seen.word is VerdictWord.UNKNOWN or look.seen.chance_pct is None:
        text = phrase("notifying.unconfirmed", told_pct=standing.chance_pct)
    elif (doubt := find_doubt(look.seen.best_pct, look.wishes)) is not None:
        text = phrase("notifying.still-go-doubt", chance_pct=look.seen.best_pct, doubt=doubt)
    else:
        text = phrase("notifying.still-go", chance_pct=look.seen.best_pct)
    return _say(look, AlertKind.GO, Why.LAST_WORD, text, lost_at)


def _is_last_chance(look: NotificationInput, lost_at: datetime) -> bool:
    return lost_at - look.cycle - LAST_WORD_LEAD <= look.now < lost_at


def _good_tonight(look: NotificationInput, plan: FieldPlan) -> NotificationDecision:
    """A go, from the last cycle before leave-by minus notice until the latest useful departure."""
    seen = look.seen
    if look.now >= plan.latest_departure:
        return silence(Why.TOO_LATE, phrase("notifying.too-late-to-leave"))
    if look.now < go_due_from(look, plan):
        return silence(Why.NOT_YET_DUE, phrase("notifying.not-yet-due"))
    if not any(entry.kind is AlertKind.GO for entry in look.told):
        said = Why.GOOD_TONIGHT, phrase("notifying.chance", chance_pct=seen.chance_pct)
        return _say(look, AlertKind.GO, *said, plan.latest_departure)
    needs = min(100, look.wishes.chance_go_pct + GO_AGAIN_MARGIN_PCT)
    if seen.chance_pct is None or seen.chance_pct < needs:
        text = phrase("notifying.not-surely-again", chance_pct=seen.chance_pct, needs_pct=needs)
        return silence(Why.NOT_SURELY_AGAIN, text)
    said = Why.GOOD_AGAIN, phrase("notifying.clear-again", chance_pct=seen.chance_pct)
    return _say(look, AlertKind.GO, *said, plan.latest_departure)


def _good_ahead(look: NotificationInput, plan: FieldPlan) -> NotificationDecision:
    """A heads-up, once, before the day of the night; never after a go or a stand-down."""
    seen, now, wishes = look.seen, look.now, look.wishes
    if look.told:
        return silence(Why.NO_NEWS, phrase("notifying.told-already"))
    if seen.chance_pct is None or seen.chance_pct < HEADS_UP_FROM_PCT:
        return _not_good(look)
    if seen.chance_pct < seen.heads_up_from_pct:
        usual_pct, from_pct = seen.usual_pct, seen.heads_up_from_pct
        text = phrase(
            "notifying.usual-here", chance_pct=seen.chance_pct, usual_pct=usual_pct, from_pct=from_pct
        )
        return silence(Why.USUAL_HERE, text)
    if seen.lineages < LINEAGES_NEEDED:
        return silence(Why.ONE_LINEAGE, phrase("notifying.one-family", chance_pct=seen.chance_pct))
    if seen.days_ahead > wishes.days_ahead:
        return silence(
            Why.TOO_EARLY, phrase("notifying.too-early", days=seen.days_ahead, from_days=wishes.days_ahead)
        )
    due = plan.leave_by - wishes.notice
    expires_at = due if now < due else plan.leave_by
    if expires_at <= now:
        return silence(Why.TOO_LATE, phrase("notifying.too-late-for-heads-up"))
    said = Why.GOOD_AHEAD, phrase("notifying.chance", chance_pct=seen.chance_pct)
    return _say(look, AlertKind.HEADS_UP, *said, expires_at)


def _not_good(look: NotificationInput) -> NotificationDecision:
    seen = look.seen
    pct = seen.chance_pct
    if look.told and seen.word is VerdictWord.STAY:
        return silence(Why.NOTHING_TOLD, phrase("notifying.nothing-to-take-back", chance_pct=pct))
    if seen.word is VerdictWord.WAIT and seen.lineages == 1:
        return silence(Why.ONE_LINEAGE, phrase("notifying.one-family-wait", chance_pct=pct))
    return silence(Why.NOT_GOOD_ENOUGH, phrase("notifying.not-asked-for", chance_pct=pct))


def _say(
    look: NotificationInput, kind: AlertKind, why: Why, text: Phrase, expires_at: datetime
) -> NotificationDecision:
    """The alert; the last word too, when the phone goes silent before the next cycle could add one."""
    standing, is_last = look.standing, False
    if kind is not AlertKind.HEADS_UP:
        told = [standing.leave_by if standing is not None else None]
        if kind is AlertKind.CHANGED and look.plan is not None:
            told.append(look.plan.leave_by)
        lost_at = (look.signal_lost_at(leave_by) for leave_by in told)
        is_last = any(at is not None and _is_last_chance(look, at) for at in lost_at)
    return NotificationDecision(kind, why, text, expires_at, look.next_occurrence(kind), is_last)
