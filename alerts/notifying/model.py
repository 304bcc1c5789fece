"""What the ladder reads and says, as plain values."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo
from enum import IntEnum, StrEnum

from alerts.common.phrases import Phrase
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.field.trip_plan import FieldPlan
from alerts.judging.rules import LINEAGES_NEEDED
from alerts.judging.verdict import VerdictWord
from alerts.wishes.model import Wishes

HEADS_UP_FROM_PCT = 50
HEADS_UP_LIFT = 6.0
"""A heads-up says something about this night: its odds must be so many times what is usual at that place and
season. Of 2, 3, 5 and 6, tried in simulated seasons, the lowest that speaks of at most 40 % of nights in a
middling climate; a chance alone would ring for each night of a dry one."""


class AlertKind(StrEnum):
    """A fact to be told about one night to one subscription."""

    HEADS_UP = "heads_up"  # days ahead: this night may be worth it
    GO = "go"  # on the day: drive
    CHANGED = "changed"  # told go, and the times have moved
    STAND_DOWN = "stand_down"  # told go, and it no longer holds


class Why(StrEnum):
    """Why something is told, or why nothing is."""

    holds_back: bool
    """Whether it is silence about a night that was good enough, or nearly: the second value of its line."""

    def __new__(cls, code: str, holds_back: bool = False) -> Why:
        member = str.__new__(cls, code)
        member._value_, member.holds_back = code, holds_back
        return member

    GOOD_AHEAD = "good_ahead"  # days ahead, and worth keeping the evening free
    GOOD_TONIGHT = "good_tonight"  # the first go
    GOOD_AGAIN = "good_again"  # taken back, and now clearly good again
    MOVED = "moved"  # told go, and the times have shifted
    OTHER_WINDOW = "other_window"  # told go, and only another window of that night holds
    LAST_WORD = "last_word"  # told go, and the phone is about to go silent
    UNSETTLED = "unsettled"  # said enough of this night: look yourself
    TURNED_BAD = "turned_bad"  # told go, and the chance has gone: someone may be driving there
    HAZARD = "hazard"  # told go, and it isn't safe or fit any more
    WINDOW_GONE = "window_gone"  # told go, and there is no window any more

    NO_NEWS = "no_news"  # told already, and it still holds
    NO_WINDOW = "no_window"  # the sky offers nothing
    NOT_GOOD_ENOUGH = "not_good_enough"  # seen, and below what was asked for
    NOTHING_TOLD = "nothing_told"  # turned bad after a heads-up: no go was given, none is taken back
    USUAL_HERE = "usual_here"  # good, and no better than such nights usually are there
    ONE_LINEAGE = "one_lineage", True  # good, by one model family alone
    CANNOT_SAY = "cannot_say"  # unknown: no reason to call, none to take back
    TOO_EARLY = "too_early", True  # further ahead than the person wants to hear of
    NOT_YET_DUE = "not_yet_due"  # good, and there is time: said before one must leave
    TOO_LATE = "too_late", True  # good, and nobody could get there any more
    NIGHT_OVER = "night_over"  # nothing is told of a window that has passed
    NOT_SURELY_AGAIN = "not_surely_again", True  # taken back, and not good by a margin
    JUST_TURNED = "just_turned", True  # good only since this look: said if the next one sees it too
    QUIET_HOURS = "quiet_hours", True  # waits for the end of the quiet hours, and is judged again then
    ENOUGH_SAID = "enough_said", True  # the cap on alerts for one night
    ENOUGH_THIS_WEEK = "enough_this_week", True  # the person's own cap


@value(frozen=True, slots=True)
class PastAlert:
    """An alert that went out, or may have: what it said of chance, window and leave-by.

    why: None where it isn't known any more. is_last_word: no later word could arrive.
    """

    kind: AlertKind
    at: datetime
    chance_pct: int | None
    window: Span | None
    leave_by: datetime | None
    occurrence: int = 1
    why: Why | None = None
    is_last_word: bool = False


class AlertLevel(IntEnum):
    """How far up the ladder a night stands by what is seen of it alone."""

    NOTHING = 0
    PROMISING = 1  # good enough for a heads-up
    GOOD = 2  # good enough for a go


@value(frozen=True, slots=True)
class WindowState:
    """A window of a night as it is judged now.

    decided_by: the rule that decided. whole_pct: once the window has begun, the chance that all of it holds
    the event; chance_pct is what is left then.
    """

    word: VerdictWord
    chance_pct: int | None
    window: Span | None
    decided_by: str = ""
    whole_pct: int | None = None

    @property
    def best_pct(self) -> int | None:
        """By what a go stands: that the event may still come, or has come in what has passed of the
        window."""
        known = [each for each in (self.chance_pct, self.whole_pct) if each is not None]
        return max(known, default=None)


@value(frozen=True, slots=True)
class CurrentState(WindowState):
    """The newest verdict, as far as it matters for telling.

    days_ahead: civil days in the site's zone from today to the night's name; 0 on the day, negative
    after midnight. hazards: names of hazards that fail. is_over: the window can no longer hold the
    event, which is no news to anybody. also: the night's other windows. held_since: since when the night has
    stood on its rung or higher; None when that isn't known. usual_pct: the chance of such a window there in
    that season, whatever is forecast.
    """

    lineages: int = 0
    days_ahead: int = 0
    hazards: tuple[str, ...] = ()
    is_over: bool = False
    also: tuple[WindowState, ...] = ()
    held_since: datetime | None = None
    usual_pct: int | None = None

    @property
    def heads_up_from_pct(self) -> int:
        """From which chance on a night days ahead is worth a word."""
        if self.usual_pct is None:
            return HEADS_UP_FROM_PCT
        odds = HEADS_UP_LIFT * self.usual_pct / max(1, 100 - self.usual_pct)
        return max(HEADS_UP_FROM_PCT, round(100 * odds / (1 + odds)))

    @property
    def rung(self) -> AlertLevel:
        if self.word is VerdictWord.GO:
            return AlertLevel.GOOD
        promising = (self.chance_pct or 0) >= self.heads_up_from_pct and self.lineages >= LINEAGES_NEEDED
        return AlertLevel.PROMISING if self.word is VerdictWord.WAIT and promising else AlertLevel.NOTHING


@value(frozen=True, slots=True)
class NotificationDecision:
    """What to tell now: a kind, or None for silence; always with why, and words for the record.

    expires_at: past it the alert helps nobody; None for silence. occurrence: counts alerts of this
    kind for this night from 1; 0 for silence. is_last_word: the phone goes silent before the next cycle.
    """

    kind: AlertKind | None
    why: Why
    text: Phrase
    expires_at: datetime | None = None
    occurrence: int = 0
    is_last_word: bool = False


def silence(why: Why, text: Phrase) -> NotificationDecision:
    return NotificationDecision(None, why, text)


@value(frozen=True, slots=True)
class NotificationInput:
    """One look at one night: what was told, what is seen, and what the person asked for.

    told: what went out or may have, in the order of `at`. cycle: time between two runs, so that a go falls in
    the last one before it is due. plan: for the seen window; None when there is no window. clock: the zone
    that quiet hours are read in. told_this_week: messages that rang for this address in the last seven days,
    warnings and last words aside.
    """

    told: tuple[PastAlert, ...]
    seen: CurrentState
    now: datetime
    cycle: timedelta
    wishes: Wishes
    plan: FieldPlan | None
    clock: tzinfo = UTC
    told_this_week: int = 0

    @property
    def after_go(self) -> list[PastAlert]:
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
        chain = self.after_go
        return chain[-1] if chain else None

    def next_occurrence(self, kind: AlertKind) -> int:
        return max((entry.occurrence for entry in self.told if entry.kind is kind), default=0) + 1

    def signal_lost_at(self, leave_by: datetime | None) -> datetime | None:
        """When the phone goes silent for who was told to leave then, as planned where nothing was told: who
        was told late leaves late. None where it doesn't."""
        if self.plan is None or self.plan.signal_lost_after is None:
            return None
        chain = self.after_go
        called_at = chain[0].at if chain else self.now
        return max(leave_by or self.plan.leave_by, called_at) + self.plan.signal_lost_after


def held_since(before: tuple[AlertLevel, datetime] | None, rung: AlertLevel, now: datetime) -> datetime:
    """Since when a night has stood on `rung` or higher, from the rung and the time known before.

    A higher rung than before begins now; on the same or a lower one the old time still holds.
    """
    if before is None or rung > before[0]:
        return now
    return min(before[1], now)
