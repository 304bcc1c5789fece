"""What was told, what is seen, when, and what a photographer would want to hear. All invented.

Times are UTC; the place and the person keep New York time, four hours behind.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from alerts.common.span import Span
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind, CurrentState, PastAlert, Why
from alerts.wishes.model import Wishes
from tests.unit.alerts.field.trips import plan
from tests.unit.alerts.judging.values import MINUTE, NOON, WINDOW, utc

GO, WAIT, STAY, UNKNOWN = VerdictWord.GO, VerdictWord.WAIT, VerdictWord.STAY, VerdictWord.UNKNOWN
HEADS_UP, TOLD_GO = AlertKind.HEADS_UP, AlertKind.GO
CHANGED, STAND_DOWN = AlertKind.CHANGED, AlertKind.STAND_DOWN
CYCLE = timedelta(minutes=30)
WISHES = Wishes(quiet=None)
"""Drive 90 min, scouting 60 min, notice 2 h, shortest window 30 min, go 70 %, taken back 5 below 50 %, no
quiet hours."""
TRIP = plan(WINDOW, WISHES)
LEAVE_BY = utc(15, 23, 53)  # 02:23 less 150 min
DUE = utc(15, 21, 23)  # leave-by less the notice and one cycle
LAST_DEPARTURE = utc(16, 3, 36)  # 05:36 less 30 min and 90 min
THREE_DAYS_AHEAD = NOON - timedelta(days=3)


def told(kind: AlertKind, at: datetime = DUE, chance: int | None = 81, **changes: Any) -> PastAlert:
    given: dict[str, Any] = {"window": WINDOW, "leave_by": LEAVE_BY, "occurrence": 1} | changes
    return PastAlert(kind, at, chance, **given)


def seen(word: VerdictWord, chance: int | None, days_ahead: int = 0, **changes: Any) -> CurrentState:
    given: dict[str, Any] = {"window": WINDOW, "lineages": 2} | changes
    return CurrentState(word, chance, days_ahead=days_ahead, **given)


def moved(start_min: int, end_min: int | None = None) -> Span:
    by = start_min if end_min is None else end_min
    return Span(WINDOW.start + start_min * MINUTE, WINDOW.end + by * MINUTE)


@dataclass(frozen=True)
class Case:
    """Given what was told, what is seen and when; then this is said, for this reason."""

    id: str
    told: tuple[PastAlert, ...]
    seen: CurrentState
    now: datetime
    says: AlertKind | None
    why: Why
    occurrence: int = 1
    wishes: Wishes = WISHES
    told_this_week: int = 0
    is_last_word: bool = False


GONE_OUT = (told(TOLD_GO),)
TAKEN_BACK = (told(TOLD_GO), told(STAND_DOWN, utc(15, 22), 40))
ALL_SAID = (
    told(HEADS_UP),
    told(TOLD_GO),
    told(CHANGED),
    told(STAND_DOWN),
    told(TOLD_GO, occurrence=2),
)
LOW = Wishes(quiet=None, chance_back_pct=3)
UNSETTLED_TOLD = told(CHANGED, utc(15, 22, 20), occurrence=2, why=Why.UNSETTLED)
AFTER = utc(15, 22, 30)
NO_LINEAGES: dict[str, Any] = {"lineages": 0}
NO_WINDOW: dict[str, Any] = {"window": None}
LATER_WINDOW = Span(utc(16, 7), utc(16, 9))

CASES = (
    # days ahead
    Case("good three days ahead", (), seen(WAIT, 60, 3), THREE_DAYS_AHEAD, HEADS_UP, Why.GOOD_AHEAD),
    Case("just good enough ahead", (), seen(WAIT, 50, 3), THREE_DAYS_AHEAD, HEADS_UP, Why.GOOD_AHEAD),
    Case("not good enough ahead", (), seen(WAIT, 49, 3), THREE_DAYS_AHEAD, None, Why.NOT_GOOD_ENOUGH),
    Case(
        "no better than usual there",
        (),
        seen(WAIT, 90, 3, usual_pct=62),
        THREE_DAYS_AHEAD,
        None,
        Why.USUAL_HERE,
    ),
    Case(
        "six times the odds that are usual there",
        (),
        seen(WAIT, 91, 3, usual_pct=62),
        THREE_DAYS_AHEAD,
        HEADS_UP,
        Why.GOOD_AHEAD,
    ),
    Case(
        "usually bad there, and good enough",
        (),
        seen(WAIT, 60, 3, usual_pct=20),
        THREE_DAYS_AHEAD,
        HEADS_UP,
        Why.GOOD_AHEAD,
    ),
    Case(
        "the rest of the window is lost, and the event has come",
        GONE_OUT,
        seen(STAY, 12, decided_by="chance", whole_pct=88),
        utc(16, 4),
        None,
        Why.NO_NEWS,
    ),
    Case(
        "the rest of the window is lost, and the event hasn't come",
        GONE_OUT,
        seen(STAY, 12, decided_by="chance", whole_pct=31),
        utc(16, 4),
        STAND_DOWN,
        Why.TURNED_BAD,
    ),
    Case(
        "a storm in the rest of the window, though the event has come",
        GONE_OUT,
        seen(STAY, 12, decided_by="thunder", whole_pct=88, hazards=("thunder",)),
        utc(16, 4),
        STAND_DOWN,
        Why.HAZARD,
    ),
    Case("good five days ahead", (), seen(WAIT, 60, 5), NOON - timedelta(days=5), HEADS_UP, Why.GOOD_AHEAD),
    Case("good six days ahead", (), seen(WAIT, 60, 6), NOON - timedelta(days=6), None, Why.TOO_EARLY),
    Case(
        "good two days ahead, wants one",
        (),
        seen(WAIT, 60, 2),
        NOON - timedelta(days=2),
        None,
        Why.TOO_EARLY,
        wishes=Wishes(quiet=None, days_ahead=1),
    ),
    Case(
        "good ahead by one model family",
        (),
        seen(WAIT, 80, 3, lineages=1),
        THREE_DAYS_AHEAD,
        None,
        Why.ONE_LINEAGE,
    ),
    Case(
        "still good, heads-up told",
        (told(HEADS_UP),),
        seen(WAIT, 75, 2),
        NOON - timedelta(days=2),
        None,
        Why.NO_NEWS,
    ),
    Case(
        "bad after a heads-up",
        (told(HEADS_UP),),
        seen(STAY, 20, 1),
        NOON - timedelta(days=1),
        None,
        Why.NOTHING_TOLD,
    ),
    Case("unknown ahead", (), seen(UNKNOWN, None, 3, **NO_LINEAGES), THREE_DAYS_AHEAD, None, Why.CANNOT_SAY),
    Case("bad ahead", (), seen(STAY, 10, 1), NOON - timedelta(days=1), None, Why.NOT_GOOD_ENOUGH),
    Case("Moon up all night", (), seen(STAY, None, 3, **NO_WINDOW), THREE_DAYS_AHEAD, None, Why.NO_WINDOW),
    Case("no heads-up on the day itself", (), seen(WAIT, 60), NOON, None, Why.NOT_GOOD_ENOUGH),
    # on the day
    Case("good at noon, hours before it is due", (), seen(GO, 81), NOON, None, Why.NOT_YET_DUE),
    Case("a minute before it is due", (), seen(GO, 81), DUE - MINUTE, None, Why.NOT_YET_DUE),
    Case("good when it is due", (), seen(GO, 81), DUE, TOLD_GO, Why.GOOD_TONIGHT),
    Case("good, heads-up told days ago", (told(HEADS_UP),), seen(GO, 81), DUE, TOLD_GO, Why.GOOD_TONIGHT),
    Case("turns good after leave-by", (), seen(GO, 75), LEAVE_BY + MINUTE, TOLD_GO, Why.GOOD_TONIGHT),
    Case("turns good just in time", (), seen(GO, 75), LAST_DEPARTURE - MINUTE, TOLD_GO, Why.GOOD_TONIGHT),
    Case(
        "turns good when one must be off: no word would come in time",
        (),
        seen(GO, 75),
        LAST_DEPARTURE,
        None,
        Why.TOO_LATE,
    ),
    Case(
        "lives under the sky, no drive",
        (),
        seen(GO, 75),
        LAST_DEPARTURE + MINUTE,
        TOLD_GO,
        Why.GOOD_TONIGHT,
        wishes=Wishes(quiet=None, drive=timedelta(0), scouting=timedelta(0)),
    ),
    Case(
        "wants a day's notice",
        (),
        seen(GO, 75),
        NOON,
        TOLD_GO,
        Why.GOOD_TONIGHT,
        wishes=Wishes(quiet=None, notice=timedelta(hours=24)),
    ),
    Case("wavers on the day", (), seen(WAIT, 55), DUE, None, Why.NOT_GOOD_ENOUGH),
    Case("good on the day by one model family", (), seen(WAIT, 85, lineages=1), DUE, None, Why.ONE_LINEAGE),
    Case("bad on the day", (), seen(STAY, 10), DUE, None, Why.NOT_GOOD_ENOUGH),
    Case("bad on the day after a heads-up", (told(HEADS_UP),), seen(STAY, 10), DUE, None, Why.NOTHING_TOLD),
    Case("unknown on the day", (), seen(UNKNOWN, None), DUE, None, Why.CANNOT_SAY),
    Case(
        "unknown on the day after a heads-up",
        (told(HEADS_UP),),
        seen(UNKNOWN, None),
        DUE,
        None,
        Why.CANNOT_SAY,
    ),
    Case("the night is over", (), seen(STAY, None, -1, is_over=True), WINDOW.end, None, Why.NIGHT_OVER),
    Case("started days late", (), seen(UNKNOWN, None, -4), NOON + timedelta(days=4), None, Why.NIGHT_OVER),
    # a go is standing
    Case("still good after the go", GONE_OUT, seen(GO, 78), AFTER, None, Why.NO_NEWS),
    Case("81 to 82 per cent is no news", GONE_OUT, seen(GO, 82), AFTER, None, Why.NO_NEWS),
    Case("below the go limit, above taking back", GONE_OUT, seen(WAIT, 55), AFTER, None, Why.NO_NEWS),
    Case("exactly at the take-back limit", GONE_OUT, seen(WAIT, 50), AFTER, None, Why.NO_NEWS),
    Case("just below the take-back limit is no news", GONE_OUT, seen(WAIT, 49), AFTER, None, Why.NO_NEWS),
    Case("below it by a point less than the margin", GONE_OUT, seen(WAIT, 46), AFTER, None, Why.NO_NEWS),
    Case("below it by the margin", GONE_OUT, seen(WAIT, 45), AFTER, STAND_DOWN, Why.TURNED_BAD),
    Case(
        "at 1 where 3 is the limit",
        GONE_OUT,
        seen(STAY, 1, decided_by="chance"),
        AFTER,
        None,
        Why.NO_NEWS,
        wishes=LOW,
    ),
    Case(
        "at 0 where 3 is the limit",
        GONE_OUT,
        seen(STAY, 0, decided_by="chance"),
        AFTER,
        STAND_DOWN,
        Why.TURNED_BAD,
        wishes=LOW,
    ),
    Case("at 46 with a storm", GONE_OUT, seen(STAY, 46, hazards=("thunder",)), AFTER, STAND_DOWN, Why.HAZARD),
    Case("clouded over", GONE_OUT, seen(STAY, 12), AFTER, STAND_DOWN, Why.TURNED_BAD),
    Case("clouded over, on the road", GONE_OUT, seen(STAY, 12), utc(16, 1), STAND_DOWN, Why.TURNED_BAD),
    Case("clouded over, window running", GONE_OUT, seen(STAY, 12), utc(16, 4), STAND_DOWN, Why.TURNED_BAD),
    Case("clouded over once it is past", GONE_OUT, seen(STAY, 12), WINDOW.end, None, Why.NIGHT_OVER),
    Case("a storm comes up", GONE_OUT, seen(STAY, 81, hazards=("thunder",)), AFTER, STAND_DOWN, Why.HAZARD),
    Case(
        "wind over the limit while cloud is unknown",
        GONE_OUT,
        seen(STAY, None, hazards=("wind",)),
        AFTER,
        STAND_DOWN,
        Why.HAZARD,
    ),
    Case(
        "the site was edited away from any window",
        GONE_OUT,
        seen(STAY, None, **NO_WINDOW),
        AFTER,
        STAND_DOWN,
        Why.WINDOW_GONE,
    ),
    Case("the road was closed after the go", GONE_OUT, seen(STAY, 81), AFTER, STAND_DOWN, Why.TURNED_BAD),
    Case("all feeds went silent", GONE_OUT, seen(UNKNOWN, None), AFTER, None, Why.CANNOT_SAY),
    Case("wind unknown and cloud gone bad", GONE_OUT, seen(UNKNOWN, 30), AFTER, STAND_DOWN, Why.TURNED_BAD),
    Case("one family left, still good", GONE_OUT, seen(WAIT, 80, lineages=1), AFTER, None, Why.NO_NEWS),
    Case(
        "shooting, too late for another half hour",
        GONE_OUT,
        seen(STAY, 80, is_over=True),
        WINDOW.end - 20 * MINUTE,
        None,
        Why.NO_NEWS,
    ),
    Case(
        "the first window is ending, the verdict speaks of the next",
        GONE_OUT,
        seen(STAY, 10, window=LATER_WINDOW),
        WINDOW.end - 20 * MINUTE,
        None,
        Why.NIGHT_OVER,
    ),
    # times move
    Case("leave 20 min earlier", GONE_OUT, seen(GO, 80, window=moved(-20)), AFTER, CHANGED, Why.MOVED),
    Case("leave 19 min earlier", GONE_OUT, seen(GO, 80, window=moved(-19)), AFTER, None, Why.NO_NEWS),
    Case("leave 20 min later", GONE_OUT, seen(GO, 80, window=moved(20)), AFTER, CHANGED, Why.MOVED),
    Case("ends 30 min earlier", GONE_OUT, seen(GO, 80, window=moved(0, -30)), AFTER, CHANGED, Why.MOVED),
    Case("ends 29 min earlier", GONE_OUT, seen(GO, 80, window=moved(0, -29)), AFTER, None, Why.NO_NEWS),
    Case(
        "moved and wavering above taking back",
        GONE_OUT,
        seen(WAIT, 60, window=moved(40)),
        AFTER,
        CHANGED,
        Why.MOVED,
    ),
    Case("moved and bad", GONE_OUT, seen(STAY, 12, window=moved(40)), AFTER, STAND_DOWN, Why.TURNED_BAD),
    Case(
        "moved again after a change",
        (*GONE_OUT, told(CHANGED, window=moved(40), leave_by=LEAVE_BY + 40 * MINUTE)),
        seen(GO, 80, window=moved(80)),
        AFTER,
        CHANGED,
        Why.MOVED,
        occurrence=2,
    ),
    Case(
        "the change was told already",
        (*GONE_OUT, told(CHANGED, window=moved(40), leave_by=LEAVE_BY + 40 * MINUTE)),
        seen(GO, 80, window=moved(45)),
        AFTER,
        None,
        Why.NO_NEWS,
    ),
    Case(
        "starts 30 min later, by a go that named no leave-by",
        (told(TOLD_GO, leave_by=None),),
        seen(GO, 80, window=moved(30, 0)),
        AFTER,
        CHANGED,
        Why.MOVED,
    ),
    Case(
        "starts 29 min later, by a go that named no leave-by",
        (told(TOLD_GO, leave_by=None),),
        seen(GO, 80, window=moved(29, 0)),
        AFTER,
        None,
        Why.NO_NEWS,
    ),
    Case(
        "the drive got longer",
        GONE_OUT,
        seen(GO, 80),
        AFTER,
        CHANGED,
        Why.MOVED,
        wishes=Wishes(quiet=None, drive=timedelta(minutes=120)),
    ),
    # after a stand-down
    Case("taken back, still bad", TAKEN_BACK, seen(STAY, 12), AFTER, None, Why.NOTHING_TOLD),
    Case("taken back, at the go limit again", TAKEN_BACK, seen(GO, 74), AFTER, None, Why.NOT_SURELY_AGAIN),
    Case("taken back, clearly good again", TAKEN_BACK, seen(GO, 75), AFTER, TOLD_GO, Why.GOOD_AGAIN, 2),
    Case(
        "taken back, good again too late",
        TAKEN_BACK,
        seen(GO, 95),
        LAST_DEPARTURE + MINUTE,
        None,
        Why.TOO_LATE,
    ),
    Case(
        "good again, go limit 98 per cent",
        TAKEN_BACK,
        seen(GO, 100),
        AFTER,
        TOLD_GO,
        Why.GOOD_AGAIN,
        2,
        Wishes(quiet=None, chance_go_pct=98),
    ),
    Case(
        "turned bad a second time",
        (*TAKEN_BACK, told(TOLD_GO, occurrence=2)),
        seen(STAY, 12),
        AFTER,
        STAND_DOWN,
        Why.TURNED_BAD,
        occurrence=2,
    ),
    Case("taken back, unknown now", TAKEN_BACK, seen(UNKNOWN, None), AFTER, None, Why.CANNOT_SAY),
    # the cap of three
    Case(
        "three said, moves again", ALL_SAID, seen(GO, 80, window=moved(60)), AFTER, CHANGED, Why.UNSETTLED, 2
    ),
    Case(
        "three said and so was that it is unsettled, moves again",
        (*ALL_SAID, UNSETTLED_TOLD),
        seen(GO, 80, window=moved(60)),
        AFTER,
        None,
        Why.ENOUGH_SAID,
    ),
    Case(
        "told that it is unsettled, the standing go turns bad",
        (*ALL_SAID, UNSETTLED_TOLD),
        seen(STAY, 12),
        AFTER,
        STAND_DOWN,
        Why.TURNED_BAD,
        2,
    ),
    Case(
        "told that it is unsettled, with no go standing, and bad again",
        (*ALL_SAID, told(STAND_DOWN, occurrence=2), UNSETTLED_TOLD),
        seen(STAY, 12),
        AFTER,
        None,
        Why.NOTHING_TOLD,
    ),
    Case("three said, turns bad", ALL_SAID, seen(STAY, 12), AFTER, STAND_DOWN, Why.TURNED_BAD, 2),
    Case(
        "three said, good a third time",
        (*ALL_SAID, told(STAND_DOWN, occurrence=2)),
        seen(GO, 90),
        AFTER,
        CHANGED,
        Why.UNSETTLED,
        2,
    ),
    Case(
        "three notices leave the first go free",
        (told(HEADS_UP), told(HEADS_UP, occurrence=2), told(HEADS_UP, occurrence=3)),
        seen(GO, 80),
        DUE,
        TOLD_GO,
        Why.GOOD_TONIGHT,
    ),
)
