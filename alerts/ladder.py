"""What was told of a night, and what is seen of it now -> what to tell, and why; silence included.

The ladder: a heads-up days ahead, a go on the day, a change of times after it, a stand-down when it
turns bad. Everything is a comparison of values; nothing here remembers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from enum import StrEnum

from alerts.briefing.facts import AlertKind
from alerts.fieldplan import FieldPlan
from alerts.rules import Result
from alerts.span import Span
from alerts.verdict import Verdict, VerdictWord
from alerts.wishes import Wishes

HEADS_UP_FROM_PCT = 50
LINEAGES_NEEDED = 2
LEAVE_BY_MOVES = timedelta(minutes=20)
WINDOW_MOVES = timedelta(minutes=30)
GO_AGAIN_MARGIN_PCT = 5
"""A go after a stand-down needs this much more than the first, so that a chance which wavers about
the limit doesn't send people to and fro."""
MOST_TOLD = 3
"""Heads-up, changed and repeated go together, per night; the first go and a stand-down always go out."""
HAZARD_RULES = ("thunder", "gust", "wind", "precipitation", "cold", "fog")


class Why(StrEnum):
    """Why something is told, or why nothing is."""

    GOOD_AHEAD = "good_ahead"  # days ahead, and worth keeping the evening free
    GOOD_TONIGHT = "good_tonight"  # the first go
    GOOD_AGAIN = "good_again"  # taken back, and now clearly good again
    MOVED = "moved"  # told go, and the times have shifted
    TURNED_BAD = "turned_bad"  # told go, and the chance has gone: someone may be driving there
    HAZARD = "hazard"  # told go, and it isn't safe or fit any more
    WINDOW_GONE = "window_gone"  # told go, and there is no window any more

    NO_NEWS = "no_news"  # told already, and it still holds
    NO_WINDOW = "no_window"  # the sky offers nothing
    NOT_GOOD_ENOUGH = "not_good_enough"  # seen, and below what was asked for
    NOTHING_TOLD = "nothing_told"  # turned bad after a heads-up: no go was given, none is taken back
    ONE_LINEAGE = "one_lineage"  # good, by one model family alone
    CANNOT_SAY = "cannot_say"  # unknown: no reason to call, none to take back
    TOO_EARLY = "too_early"  # further ahead than the person wants to hear of
    NOT_YET_DUE = "not_yet_due"  # good, and there is time: said before one must leave
    TOO_LATE = "too_late"  # good, and nobody could get there any more
    NIGHT_OVER = "night_over"  # nothing is told of a window that has passed
    NOT_SURELY_AGAIN = "not_surely_again"  # taken back, and not good by a margin
    ENOUGH_SAID = "enough_said"  # the cap on alerts for one night


@dataclass(frozen=True, slots=True)
class Told:
    """An alert that went out, or may have: what it said of chance, window and leave-by."""

    kind: AlertKind
    at: datetime
    chance_pct: int | None
    window: Span | None
    leave_by: datetime | None
    occurrence: int = 1


@dataclass(frozen=True, slots=True)
class Seen:
    """The newest verdict, as far as it matters for telling.

    days_ahead: civil days in the site's zone from today to the night's name; 0 on the day, negative
    after midnight. hazards: names of hazards that fail. is_over: the window can no longer hold the
    event, which is no news to anybody.
    """

    word: VerdictWord
    chance_pct: int | None
    window: Span | None
    lineages: int
    days_ahead: int
    hazards: tuple[str, ...] = ()
    is_over: bool = False


@dataclass(frozen=True, slots=True)
class Telling:
    """What to tell now: a kind, or None for silence; always with why, and a sentence for the record.

    expires_at: past it the alert helps nobody; None for silence. occurrence: counts alerts of this
    kind for this night from 1; 0 for silence.
    """

    kind: AlertKind | None
    why: Why
    text: str
    expires_at: datetime | None = None
    occurrence: int = 0


def build_seen(verdict: Verdict, night_name: date, now: datetime, zone: tzinfo) -> Seen:
    """What the ladder needs of a verdict."""
    failing = [reason.rule for reason in verdict.reasons if reason.result is Result.FAIL]
    outlook = verdict.outlook
    return Seen(
        word=verdict.word,
        chance_pct=outlook.chance_pct if outlook else None,
        window=verdict.window.span if verdict.window else None,
        lineages=len(outlook.lineages) if outlook else 0,
        days_ahead=(night_name - now.astimezone(zone).date()).days,
        hazards=tuple(rule for rule in failing if rule in HAZARD_RULES),
        is_over="over" in failing,
    )


def what_to_tell(
    told: Sequence[Told],
    seen: Seen,
    *,
    now: datetime,
    cycle: timedelta,
    wishes: Wishes,
    plan: FieldPlan | None,
) -> Telling:
    """What to tell of one night to one subscription now, and why.

    told: what went out or may have, in the order of `at`. cycle: time between two runs, so that a go
    falls in the last one before it is due. plan: for the seen window; None when there is no window.
    """
    if (standing := _standing_go(told)) is not None:
        return _after_go(told, standing, seen, now, wishes, plan)
    if seen.window is None or plan is None:
        return _silence(Why.NO_WINDOW, "the sky offers no window")
    if seen.is_over or seen.window.end <= now:
        return _silence(Why.NIGHT_OVER, "the window has passed")
    if seen.word is VerdictWord.GO:
        return _good_tonight(told, seen, now, cycle, wishes, plan)
    if seen.word is VerdictWord.UNKNOWN:
        return _silence(Why.CANNOT_SAY, "what is known doesn't allow a word")
    if seen.word is VerdictWord.WAIT and seen.days_ahead > 0:
        return _good_ahead(told, seen, now, wishes, plan)
    return _not_good(told, seen)


def _standing_go(told: Sequence[Told]) -> Told | None:
    """The go, or its last change, that hasn't been taken back."""
    after_go = [entry for entry in told if entry.kind is not AlertKind.HEADS_UP]
    return after_go[-1] if after_go and after_go[-1].kind is not AlertKind.STAND_DOWN else None


def _after_go(
    told: Sequence[Told],
    standing: Told,
    seen: Seen,
    now: datetime,
    wishes: Wishes,
    plan: FieldPlan | None,
) -> Telling:
    """Someone may be on the road: take it back at once, tell a shift, or stay silent.

    Unknown alone takes nothing back: nothing was learnt against the night.
    """
    promised = standing.window or seen.window
    if promised is None or promised.end <= now:
        return _silence(Why.NIGHT_OVER, "the window that was told has passed")
    if _looks_past(promised, seen, now, wishes):
        return _silence(Why.NIGHT_OVER, "the window that was told is all but over")
    if (bad := _turned_bad(standing, seen, wishes)) is not None:
        why, text = bad
        return _tell(AlertKind.STAND_DOWN, why, text, promised.end, told)
    if seen.word is VerdictWord.UNKNOWN:
        return _silence(Why.CANNOT_SAY, "go was told; nothing new is known against it")
    if plan is None or (shift := _shift(standing, plan)) is None:
        return _silence(Why.NO_NEWS, f"go{_told_at(standing) or ' was told'}, and it holds")
    if plan.window.end <= now:
        return _silence(Why.NIGHT_OVER, "the window has passed")
    if _is_enough(told):
        return _silence(Why.ENOUGH_SAID, f"{shift}, but {MOST_TOLD} alerts are the most for one night")
    expires_at = plan.latest_departure if now < plan.latest_departure else plan.window.end
    return _tell(AlertKind.CHANGED, Why.MOVED, shift, expires_at, told)


def _looks_past(promised: Span, seen: Seen, now: datetime, wishes: Wishes) -> bool:
    """Whether the verdict has gone on to another window of the night because this one is ending."""
    ending = now >= promised.end - wishes.shortest_window
    return ending and seen.window is not None and seen.window.overlap(promised) is None


def _turned_bad(standing: Told, seen: Seen, wishes: Wishes) -> tuple[Why, str] | None:
    """What takes back a go: a hazard, no window, a chance below the take-back limit, or a stay for
    any reason but that the window is ending."""
    if seen.hazards:
        return Why.HAZARD, f"{' and '.join(seen.hazards)} now beyond the limit"
    if seen.window is None and seen.word is VerdictWord.STAY:
        return Why.WINDOW_GONE, "there is no window any more"
    if seen.chance_pct is not None and seen.chance_pct < wishes.chance_back_pct:
        limit = f"the limit to take back is {wishes.chance_back_pct} %"
        return Why.TURNED_BAD, f"clear {seen.chance_pct} %{_told_at(standing)}; {limit}"
    if seen.word is VerdictWord.STAY and not seen.is_over:
        return Why.TURNED_BAD, "the night no longer meets what was asked for"
    return None


def _told_at(standing: Told) -> str:
    return f", told at {standing.chance_pct} %" if standing.chance_pct is not None else ""


def _shift(standing: Told, plan: FieldPlan) -> str | None:
    """How far the trip moved from what was told, when that matters; None when it doesn't."""
    if standing.leave_by is not None and abs(plan.leave_by - standing.leave_by) >= LEAVE_BY_MOVES:
        return f"leave {_moved(plan.leave_by - standing.leave_by)}"
    if standing.window is None:
        return None
    start, end = plan.window.start - standing.window.start, plan.window.end - standing.window.end
    if abs(start) >= WINDOW_MOVES:
        return f"the window starts {_moved(start)}"
    return f"the window ends {_moved(end)}" if abs(end) >= WINDOW_MOVES else None


def _moved(by: timedelta) -> str:
    minutes = round(abs(by) / timedelta(minutes=1))
    return f"{minutes} min {'later' if by > timedelta(0) else 'earlier'}"


def _good_tonight(
    told: Sequence[Told],
    seen: Seen,
    now: datetime,
    cycle: timedelta,
    wishes: Wishes,
    plan: FieldPlan,
) -> Telling:
    """A go, from the last cycle before leave-by minus notice until the latest useful departure."""
    if now > plan.latest_departure:
        return _silence(Why.TOO_LATE, "good, but leaving now there is too little window left")
    if now < plan.leave_by - wishes.notice - cycle:
        return _silence(Why.NOT_YET_DUE, "good; told shortly before the notice asked for")
    expires_at = plan.latest_departure
    if not any(entry.kind is AlertKind.GO for entry in told):
        return _tell(AlertKind.GO, Why.GOOD_TONIGHT, f"clear {seen.chance_pct} %", expires_at, told)
    needs = min(100, wishes.chance_go_pct + GO_AGAIN_MARGIN_PCT)
    if seen.chance_pct is None or seen.chance_pct < needs:
        return _silence(Why.NOT_SURELY_AGAIN, f"clear {seen.chance_pct} %; after a stand-down {needs} %")
    if _is_enough(told):
        return _silence(Why.ENOUGH_SAID, f"good again, but {MOST_TOLD} alerts are the most for one night")
    return _tell(AlertKind.GO, Why.GOOD_AGAIN, f"clear again, {seen.chance_pct} %", expires_at, told)


def _good_ahead(told: Sequence[Told], seen: Seen, now: datetime, wishes: Wishes, plan: FieldPlan) -> Telling:
    """A heads-up, once, before the day of the night; never after a go or a stand-down."""
    if told:
        return _silence(Why.NO_NEWS, "told already")
    if seen.chance_pct is None or seen.chance_pct < HEADS_UP_FROM_PCT:
        return _not_good(told, seen)
    if seen.lineages < LINEAGES_NEEDED:
        return _silence(Why.ONE_LINEAGE, f"clear {seen.chance_pct} %, by one model family alone")
    if seen.days_ahead > wishes.days_ahead:
        return _silence(Why.TOO_EARLY, f"{seen.days_ahead} days ahead, told from {wishes.days_ahead} on")
    due = plan.leave_by - wishes.notice
    expires_at = due if now < due else plan.leave_by
    if expires_at <= now:
        return _silence(Why.TOO_LATE, "too late for a heads-up")
    return _tell(AlertKind.HEADS_UP, Why.GOOD_AHEAD, f"clear {seen.chance_pct} %", expires_at, told)


def _not_good(told: Sequence[Told], seen: Seen) -> Telling:
    chance = "" if seen.chance_pct is None else f"clear {seen.chance_pct} %; "
    if told and seen.word is VerdictWord.STAY:
        return _silence(Why.NOTHING_TOLD, f"{chance}no go is standing, so there is none to take back")
    if seen.word is VerdictWord.WAIT and seen.lineages == 1:
        return _silence(Why.ONE_LINEAGE, f"{chance}one model family alone")
    return _silence(Why.NOT_GOOD_ENOUGH, f"{chance}not what was asked for")


def _is_enough(told: Sequence[Told]) -> bool:
    """Whether the cap is reached: heads-up, changed and repeated go count, the rest doesn't."""
    kinds = [entry.kind for entry in told]
    repeated = max(0, kinds.count(AlertKind.GO) - 1)
    return kinds.count(AlertKind.HEADS_UP) + kinds.count(AlertKind.CHANGED) + repeated >= MOST_TOLD


def _tell(kind: AlertKind, why: Why, text: str, expires_at: datetime, told: Sequence[Told]) -> Telling:
    before = max((entry.occurrence for entry in told if entry.kind is kind), default=0)
    return Telling(kind, why, text, expires_at, before + 1)


def _silence(why: Why, text: str) -> Telling:
    return Telling(None, why, text)
