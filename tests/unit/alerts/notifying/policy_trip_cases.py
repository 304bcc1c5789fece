"""What was told, seen and said on the way, and of nights with two windows. All invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

from alerts.common.span import Span
from alerts.notifying.model import Why, WindowState
from alerts.wishes.model import Wishes
from tests.unit.alerts.judging.values import MINUTE, WINDOW, utc
from tests.unit.alerts.notifying.policy_cases import (
    AFTER,
    ALL_SAID,
    CHANGED,
    GO,
    GONE_OUT,
    LATER_WINDOW,
    LEAVE_BY,
    STAND_DOWN,
    STAY,
    TOLD_GO,
    UNKNOWN,
    WAIT,
    Case,
    moved,
    seen,
    told,
)
from tests.unit.alerts.notifying.policy_quiet_cases import BEFORE_DAWN, DAWN, GO_FOR_DAWN, SLEEPS

SIGNAL_ENDS = Wishes(quiet=None, signal_lost_before=timedelta(minutes=30))
"""An hour after leaving at 23:53 the phone goes silent: 00:53. The last word is due from 00:13 on."""
LAST_SAID = (*GONE_OUT, told(TOLD_GO, utc(16, 0, 15), 78, occurrence=2, why=Why.LAST_WORD, is_last_word=True))


def last(id_: str, now: Any, view: Any, says: Any, why: Why, occurrence: int = 1, **changes: Any) -> Case:
    given: dict[str, Any] = {"told": GONE_OUT, "wishes": SIGNAL_ENDS} | changes
    return Case(id_, seen=view, now=now, says=says, why=why, occurrence=occurrence, **given)


LAST_WORDS = (
    last("a minute before the last word is due", utc(16, 0, 12), seen(GO, 78), None, Why.NO_NEWS),
    last(
        "still good before the phone goes silent",
        utc(16, 0, 13),
        seen(GO, 78),
        TOLD_GO,
        Why.LAST_WORD,
        2,
        is_last_word=True,
    ),
    last("the last word was said", utc(16, 0, 45), seen(GO, 78), None, Why.NO_NEWS, told=LAST_SAID),
    last("the phone is silent", utc(16, 0, 53), seen(GO, 78), None, Why.NO_NEWS),
    last(
        "turns bad before the phone goes silent",
        utc(16, 0, 20),
        seen(STAY, 12),
        STAND_DOWN,
        Why.TURNED_BAD,
        is_last_word=True,
    ),
    last(
        "turns bad once the phone is silent: owed all the same",
        utc(16, 2),
        seen(STAY, 12),
        STAND_DOWN,
        Why.TURNED_BAD,
        told=LAST_SAID,
    ),
    last(
        "wavering before the phone goes silent",
        utc(16, 0, 20),
        seen(WAIT, 55),
        TOLD_GO,
        Why.LAST_WORD,
        2,
        is_last_word=True,
    ),
    last(
        "under the limit, not by the margin, before the phone goes silent",
        utc(16, 0, 20),
        seen(WAIT, 47),
        TOLD_GO,
        Why.LAST_WORD,
        2,
        is_last_word=True,
    ),
    last(
        "nobody can say before the phone goes silent",
        utc(16, 0, 20),
        seen(UNKNOWN, None),
        TOLD_GO,
        Why.LAST_WORD,
        2,
        is_last_word=True,
    ),
    last(
        "times move before the phone goes silent: that is the last word",
        utc(16, 0, 20),
        seen(GO, 78, window=moved(0, -40)),
        CHANGED,
        Why.MOVED,
        is_last_word=True,
    ),
    last(
        "called late, so gone late: the last word is later too",
        utc(16, 0, 49),
        seen(GO, 78),
        None,
        Why.NO_NEWS,
        told=(told(TOLD_GO, utc(16, 0, 30)),),
    ),
    last(
        "called late, before the phone goes silent",
        utc(16, 0, 50),
        seen(GO, 78),
        TOLD_GO,
        Why.LAST_WORD,
        2,
        told=(told(TOLD_GO, utc(16, 0, 30)),),
        is_last_word=True,
    ),
    last(
        "no signal from home on: the first go is the last word",
        LEAVE_BY - 15 * MINUTE,
        seen(GO, 78),
        TOLD_GO,
        Why.GOOD_TONIGHT,
        told=(),
        wishes=replace(SIGNAL_ENDS, signal_lost_before=timedelta(hours=2)),
        is_last_word=True,
    ),
    last(
        "past the cap the last word is still said",
        utc(16, 0, 20),
        seen(GO, 78),
        TOLD_GO,
        Why.LAST_WORD,
        3,
        told=ALL_SAID,
        is_last_word=True,
    ),
    last(
        "times move so late that the phone goes silent by the new ones before another word",
        utc(16, 1, 20),
        seen(GO, 78, window=moved(60)),
        CHANGED,
        Why.MOVED,
        is_last_word=True,
    ),
    last(
        "times move, one change too many, before the phone goes silent",
        utc(16, 0, 20),
        seen(GO, 78, window=moved(0, -40)),
        TOLD_GO,
        Why.LAST_WORD,
        3,
        told=ALL_SAID,
        is_last_word=True,
    ),
    last(
        "times move in quiet hours before the phone goes silent: no change rings, the last word does",
        utc(16, 4, 30),
        seen(GO, 81, window=Span(utc(16, 8, 10), utc(16, 9))),
        TOLD_GO,
        Why.LAST_WORD,
        2,
        told=GO_FOR_DAWN,
        wishes=replace(SLEEPS, signal_lost_before=timedelta(hours=2)),
        is_last_word=True,
    ),
    last(
        "in quiet hours the last word is still said",
        utc(16, 5, 30),
        seen(GO, 81, **DAWN),
        TOLD_GO,
        Why.LAST_WORD,
        2,
        told=GO_FOR_DAWN,
        wishes=replace(SLEEPS, signal_lost_before=timedelta(minutes=30)),
        is_last_word=True,
    ),
)


def mine(word: Any, chance: int | None, decided_by: str = "chance") -> tuple[WindowState, ...]:
    """The window that was told, seen beside another one that looks better."""
    return (WindowState(word, chance, WINDOW, decided_by),)


TWO_WINDOWS = (
    Case(
        "another window looks better, the one told is good too",
        GONE_OUT,
        seen(GO, 90, window=LATER_WINDOW, also=mine(GO, 75)),
        AFTER,
        None,
        Why.NO_NEWS,
    ),
    Case(
        "another window looks better, the one told wavers",
        GONE_OUT,
        seen(GO, 90, window=LATER_WINDOW, also=mine(WAIT, 55)),
        AFTER,
        None,
        Why.NO_NEWS,
    ),
    Case(
        "another window looks better, the one told is under the limit by less than the margin",
        GONE_OUT,
        seen(GO, 90, window=LATER_WINDOW, also=mine(WAIT, 46)),
        AFTER,
        None,
        Why.NO_NEWS,
    ),
    Case(
        "another window looks better, the one told is under the limit by the margin",
        GONE_OUT,
        seen(GO, 90, window=LATER_WINDOW, also=mine(WAIT, 45)),
        AFTER,
        CHANGED,
        Why.OTHER_WINDOW,
    ),
    Case(
        "only the later window still holds",
        GONE_OUT,
        seen(GO, 90, window=LATER_WINDOW, also=mine(STAY, 10)),
        AFTER,
        CHANGED,
        Why.OTHER_WINDOW,
    ),
    Case(
        "only the later window still holds, seen in quiet hours",
        GO_FOR_DAWN,
        seen(GO, 90, window=WINDOW, also=(WindowState(STAY, 10, BEFORE_DAWN, "chance"),)),
        utc(16, 3),
        CHANGED,
        Why.OTHER_WINDOW,
        wishes=SLEEPS,
    ),
    Case(
        "the told window has gone bad, the later one only wavers",
        GONE_OUT,
        seen(WAIT, 60, window=LATER_WINDOW, also=mine(STAY, 10)),
        AFTER,
        STAND_DOWN,
        Why.TURNED_BAD,
    ),
    Case(
        "storm in the told window, nothing known of the later one",
        GONE_OUT,
        seen(UNKNOWN, None, window=LATER_WINDOW, also=mine(STAY, 80, "thunder")),
        AFTER,
        STAND_DOWN,
        Why.TURNED_BAD,
    ),
    Case(
        "nothing known of either window",
        GONE_OUT,
        seen(UNKNOWN, None, window=LATER_WINDOW, also=mine(UNKNOWN, None, "cloud")),
        AFTER,
        None,
        Why.CANNOT_SAY,
    ),
    Case(
        "past the cap only the later window still holds",
        ALL_SAID,
        seen(GO, 90, window=LATER_WINDOW, also=mine(STAY, 10)),
        AFTER,
        STAND_DOWN,
        Why.TURNED_BAD,
        2,
    ),
    Case(
        "the site was edited: the told window is gone, another one is good",
        GONE_OUT,
        seen(GO, 90, window=LATER_WINDOW),
        AFTER,
        CHANGED,
        Why.OTHER_WINDOW,
    ),
    Case(
        "below what is worth watching, but not below this person's limit to take back",
        GONE_OUT,
        seen(STAY, 35, decided_by="chance"),
        AFTER,
        None,
        Why.NO_NEWS,
        wishes=Wishes(quiet=None, chance_go_pct=90, chance_back_pct=30),
    ),
)

TRIP_CASES = (*LAST_WORDS, *TWO_WINDOWS)
