"""What was told, seen and said in quiet hours, of nights only just good, and in full weeks. All invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta
from typing import Any

from alerts.common.clock_times import ClockSpan
from alerts.common.span import Span
from alerts.notifying.model import Why
from alerts.wishes.model import Wishes
from tests.unit.alerts.judging.values import MINUTE, utc
from tests.unit.alerts.notifying.policy_cases import (
    AFTER,
    ALL_SAID,
    CHANGED,
    DUE,
    GO,
    GONE_OUT,
    HEADS_UP,
    LEAVE_BY,
    STAND_DOWN,
    STAY,
    THREE_DAYS_AHEAD,
    TOLD_GO,
    WAIT,
    Case,
    moved,
    seen,
    told,
)

NIGHTLY = ClockSpan(time(22), time(7))
"""22:00-07:00 in New York is 02:00-11:00 UTC."""
SLEEPS = Wishes(quiet=NIGHTLY)
NO_NOTICE = Wishes(quiet=None, notice=timedelta(0))
NAPS = Wishes(quiet=ClockSpan(time(18, 23), time(19, 23)), notice=timedelta(minutes=30))
"""Leave-by is 19:53 in New York."""
BEFORE_DAWN = Span(utc(16, 7, 30), utc(16, 9))
"""03:30-05:00 in New York: leave by 01:00, two hours' notice falls on 23:00, in quiet hours."""
DAWN: dict[str, Any] = {"window": BEFORE_DAWN}
GO_FOR_DAWN = (told(TOLD_GO, utc(16, 1, 30), window=BEFORE_DAWN, leave_by=utc(16, 5)),)

QUIET = (
    Case(
        "a good night ahead, seen at three in the morning",
        (),
        seen(WAIT, 60, 3),
        utc(12, 7),
        None,
        Why.QUIET_HOURS,
        wishes=SLEEPS,
    ),
    Case(
        "the same when the quiet hours end",
        (),
        seen(WAIT, 60, 3),
        utc(12, 11),
        HEADS_UP,
        Why.GOOD_AHEAD,
        wishes=SLEEPS,
    ),
    Case(
        "no longer good when the quiet hours end",
        (),
        seen(STAY, 20, 3),
        utc(12, 11),
        None,
        Why.NOT_GOOD_ENOUGH,
        wishes=SLEEPS,
    ),
    Case(
        "a minute before the quiet hours",
        (),
        seen(WAIT, 60, 2),
        utc(14, 1, 59),
        HEADS_UP,
        Why.GOOD_AHEAD,
        wishes=SLEEPS,
    ),
    Case(
        "as the quiet hours begin",
        (),
        seen(WAIT, 60, 2),
        utc(14, 2),
        None,
        Why.QUIET_HOURS,
        wishes=SLEEPS,
    ),
    Case("a go by day", (), seen(GO, 81), DUE, TOLD_GO, Why.GOOD_TONIGHT, wishes=SLEEPS),
    Case(
        "the notice falls into quiet hours, and there is time before them",
        (),
        seen(GO, 81, **DAWN),
        utc(16, 1, 24),
        None,
        Why.NOT_YET_DUE,
        wishes=SLEEPS,
    ),
    Case(
        "the notice falls into quiet hours: said in the last cycle before they begin",
        (),
        seen(GO, 81, **DAWN),
        utc(16, 1, 25),
        TOLD_GO,
        Why.GOOD_TONIGHT,
        wishes=SLEEPS,
    ),
    Case(
        "the notice falls three minutes before quiet hours: a cycle that is late would miss them",
        (),
        seen(GO, 81, **DAWN),
        utc(16, 1, 26),
        TOLD_GO,
        Why.GOOD_TONIGHT,
        wishes=replace(SLEEPS, notice=timedelta(hours=3, minutes=3)),
    ),
    Case(
        "wants no notice: said in the last cycle that surely comes before one must leave",
        (),
        seen(GO, 81),
        LEAVE_BY - 35 * MINUTE,
        TOLD_GO,
        Why.GOOD_TONIGHT,
        wishes=NO_NOTICE,
    ),
    Case(
        "wants no notice, and another cycle comes for sure",
        (),
        seen(GO, 81),
        LEAVE_BY - 36 * MINUTE,
        None,
        Why.NOT_YET_DUE,
        wishes=NO_NOTICE,
    ),
    Case(
        "naps until half an hour before leaving, the notice wanted: said before, or it might come too late",
        (),
        seen(GO, 81),
        LEAVE_BY - 125 * MINUTE,
        TOLD_GO,
        Why.GOOD_TONIGHT,
        wishes=NAPS,
    ),
    Case(
        "naps until an hour before leaving, the notice wanted: there is time for a cycle after it",
        (),
        seen(GO, 81),
        LEAVE_BY - 125 * MINUTE,
        None,
        Why.NOT_YET_DUE,
        wishes=replace(NAPS, quiet=ClockSpan(time(17, 53), time(18, 53)), notice=timedelta(hours=1)),
    ),
    Case(
        "turns good once the quiet hours have begun",
        (),
        seen(GO, 81, **DAWN),
        utc(16, 3),
        None,
        Why.QUIET_HOURS,
        wishes=SLEEPS,
    ),
    Case(
        "the same for who sleeps with the phone on",
        (),
        seen(GO, 81, **DAWN),
        utc(16, 3),
        TOLD_GO,
        Why.GOOD_TONIGHT,
        wishes=Wishes(quiet=None),
    ),
    Case(
        "a twelve-hour drive, due while the quiet hours end",
        (),
        seen(GO, 81),
        utc(15, 10, 53),
        None,
        Why.QUIET_HOURS,
        wishes=replace(SLEEPS, drive=timedelta(hours=12)),
    ),
    Case(
        "a twelve-hour drive, said as soon as the quiet hours are over",
        (),
        seen(GO, 81),
        utc(15, 11),
        TOLD_GO,
        Why.GOOD_TONIGHT,
        wishes=replace(SLEEPS, drive=timedelta(hours=12)),
    ),
    Case(
        "turns bad in quiet hours after a go",
        GO_FOR_DAWN,
        seen(STAY, 12, **DAWN),
        utc(16, 3),
        STAND_DOWN,
        Why.TURNED_BAD,
        wishes=SLEEPS,
    ),
    Case(
        "times move in quiet hours, still in bed",
        GO_FOR_DAWN,
        seen(GO, 81, window=Span(utc(16, 8), utc(16, 9))),
        utc(16, 3),
        None,
        Why.QUIET_HOURS,
        wishes=SLEEPS,
    ),
    Case(
        "times move in quiet hours, on the road",
        GO_FOR_DAWN,
        seen(GO, 81, window=Span(utc(16, 8), utc(16, 9))),
        utc(16, 5),
        CHANGED,
        Why.MOVED,
        wishes=SLEEPS,
    ),
    Case(
        "past the cap in quiet hours, on the road",
        (*ALL_SAID[:-1], told(TOLD_GO, occurrence=2, window=BEFORE_DAWN, leave_by=utc(16, 5))),
        seen(GO, 81, window=Span(utc(16, 8), utc(16, 9))),
        utc(16, 5),
        CHANGED,
        Why.UNSETTLED,
        2,
        wishes=SLEEPS,
    ),
    Case(
        "past the cap in quiet hours, still in bed",
        (*ALL_SAID[:-1], told(TOLD_GO, occurrence=2, window=BEFORE_DAWN, leave_by=utc(16, 5))),
        seen(GO, 81, window=Span(utc(16, 8), utc(16, 9))),
        utc(16, 3),
        None,
        Why.QUIET_HOURS,
        wishes=SLEEPS,
    ),
)

HOLDS = (
    Case(
        "only just good, seen for the first time",
        (),
        seen(GO, 71, held_since=DUE),
        DUE,
        None,
        Why.JUST_TURNED,
    ),
    Case(
        "only just good, seen by two looks",
        (),
        seen(GO, 71, held_since=DUE - 30 * MINUTE),
        DUE,
        TOLD_GO,
        Why.GOOD_TONIGHT,
    ),
    Case(
        "clearly good, seen for the first time",
        (),
        seen(GO, 75, held_since=DUE),
        DUE,
        TOLD_GO,
        Why.GOOD_TONIGHT,
    ),
    Case(
        "only just good, and no time for another look before one must leave",
        (),
        seen(GO, 71, held_since=LEAVE_BY - 20 * MINUTE),
        LEAVE_BY - 20 * MINUTE,
        TOLD_GO,
        Why.GOOD_TONIGHT,
    ),
    Case(
        "only just good, and quiet hours would hold the next look",
        (),
        seen(GO, 71, held_since=utc(16, 1, 30), **DAWN),
        utc(16, 1, 30),
        TOLD_GO,
        Why.GOOD_TONIGHT,
        wishes=SLEEPS,
    ),
    Case(
        "just worth a heads-up, seen for the first time",
        (),
        seen(WAIT, 50, 3, held_since=THREE_DAYS_AHEAD),
        THREE_DAYS_AHEAD,
        None,
        Why.JUST_TURNED,
    ),
    Case(
        "surely worth a heads-up, seen for the first time",
        (),
        seen(WAIT, 55, 3, held_since=THREE_DAYS_AHEAD),
        THREE_DAYS_AHEAD,
        HEADS_UP,
        Why.GOOD_AHEAD,
    ),
    Case(
        "turned bad, seen for the first time: never held",
        GONE_OUT,
        seen(WAIT, 45, held_since=AFTER),
        AFTER,
        STAND_DOWN,
        Why.TURNED_BAD,
    ),
)

FEW = Wishes(quiet=None, most_a_week=3)
WEEKS = (
    Case(
        "a good night ahead, three told this week",
        (),
        seen(WAIT, 60, 3),
        THREE_DAYS_AHEAD,
        None,
        Why.ENOUGH_THIS_WEEK,
        wishes=FEW,
        told_this_week=3,
    ),
    Case(
        "a good night ahead, two told this week",
        (),
        seen(WAIT, 60, 3),
        THREE_DAYS_AHEAD,
        HEADS_UP,
        Why.GOOD_AHEAD,
        wishes=FEW,
        told_this_week=2,
    ),
    Case(
        "good tonight, three told this week",
        (),
        seen(GO, 90),
        DUE,
        None,
        Why.ENOUGH_THIS_WEEK,
        wishes=FEW,
        told_this_week=3,
    ),
    Case(
        "the go that was the third turns bad",
        GONE_OUT,
        seen(STAY, 12),
        AFTER,
        STAND_DOWN,
        Why.TURNED_BAD,
        wishes=FEW,
        told_this_week=3,
    ),
    Case(
        "the go that was the third moves",
        GONE_OUT,
        seen(GO, 80, window=moved(40)),
        AFTER,
        CHANGED,
        Why.MOVED,
        wishes=FEW,
        told_this_week=3,
    ),
)

QUIET_CASES = (*QUIET, *HOLDS, *WEEKS)
