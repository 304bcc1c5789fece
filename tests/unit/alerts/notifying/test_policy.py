"""The ladder: what was told and what is seen -> what to tell now, and why. All cases are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from alerts.notifying.limits import is_first_word, still_stands
from alerts.notifying.model import (
    AlertKind,
    CurrentState,
    NotificationDecision,
    NotificationInput,
    PastAlert,
    Why,
)
from alerts.notifying.policy import build_seen, what_to_tell
from alerts.weather.outlook import HazardLevel
from alerts.wishes.model import Wishes
from tests.unit.alerts.field.trips import plan
from tests.unit.alerts.judging.values import (
    EVENING,
    MINUTE,
    NOON,
    SITE,
    WINDOW,
    hazards,
    judge,
    night,
    outlook,
    utc,
)
from tests.unit.alerts.notifying.policy_cases import (
    AFTER,
    CASES,
    CYCLE,
    DUE,
    GO,
    GONE_OUT,
    HEADS_UP,
    LAST_DEPARTURE,
    LEAVE_BY,
    STAY,
    THREE_DAYS_AHEAD,
    TRIP,
    UNKNOWN,
    WAIT,
    WISHES,
    Case,
    moved,
    seen,
)
from tests.unit.alerts.notifying.policy_quiet_cases import QUIET_CASES
from tests.unit.alerts.notifying.policy_trip_cases import TRIP_CASES


def answer(case: Case) -> NotificationDecision:
    trip = plan(case.seen.window, case.wishes) if case.seen.window else None
    look = NotificationInput(
        tuple(case.told),
        case.seen,
        now=case.now,
        cycle=CYCLE,
        wishes=case.wishes,
        plan=trip,
        clock=SITE.tz,
        told_this_week=case.told_this_week,
    )
    return what_to_tell(look)


ALL_CASES = (*CASES, *QUIET_CASES, *TRIP_CASES)


def test_there_are_enough_cases_and_none_is_there_twice() -> None:
    assert len({case.id for case in ALL_CASES}) == len(ALL_CASES) >= 60


def test_every_reason_to_tell_or_to_be_silent_has_a_case() -> None:
    assert {case.why for case in ALL_CASES} == set(Why)


@pytest.mark.parametrize("case", ALL_CASES, ids=lambda case: case.id)
def test_the_ladder_says_what_a_photographer_would_want(case: Case) -> None:
    telling = answer(case)
    assert (telling.kind, telling.why) == (case.says, case.why)
    assert telling.is_last_word is case.is_last_word
    assert str(telling.text)


@pytest.mark.parametrize("case", ALL_CASES, ids=lambda case: case.id)
def test_what_is_told_counts_on_and_expires_and_silence_does_neither(case: Case) -> None:
    telling = answer(case)
    if case.says is None:
        assert (telling.occurrence, telling.expires_at) == (0, None)
        return
    assert telling.occurrence == case.occurrence
    assert telling.expires_at is not None
    assert telling.expires_at > case.now


EXPIRY = {
    "a go at the last useful departure": ((), seen(GO, 81), DUE, LAST_DEPARTURE),
    "a heads-up when the go is due": ((), seen(WAIT, 60, 3), THREE_DAYS_AHEAD, LEAVE_BY - WISHES.notice),
    "a stand-down with the told window": (GONE_OUT, seen(STAY, 10), AFTER, WINDOW.end),
    "a change at the last useful departure": (
        GONE_OUT,
        seen(GO, 81, window=moved(30)),
        AFTER,
        LAST_DEPARTURE + 30 * MINUTE,
    ),
    "a change under way with the window": (
        GONE_OUT,
        seen(GO, 81, window=moved(0, 40)),
        LAST_DEPARTURE + 50 * MINUTE,
        WINDOW.end + 40 * MINUTE,
    ),
}


@pytest.mark.parametrize(("before", "now_seen", "now", "expires_at"), EXPIRY.values(), ids=EXPIRY.keys())
def test_each_kind_expires_when_it_helps_no_more(
    before: tuple[PastAlert, ...], now_seen: CurrentState, now: datetime, expires_at: datetime
) -> None:
    case = Case("", before, now_seen, now, None, Why.NO_NEWS)
    assert answer(case).expires_at == expires_at


def test_a_heads_up_with_a_long_notice_still_expires_in_the_future() -> None:
    wishes = Wishes(quiet=None, notice=timedelta(hours=24))
    now = NOON - timedelta(hours=14)
    telling = what_to_tell(
        NotificationInput((), seen(WAIT, 60, 1), now=now, cycle=CYCLE, wishes=wishes, plan=TRIP)
    )
    assert (telling.kind, telling.expires_at) == (HEADS_UP, LEAVE_BY)


def test_the_sentences_carry_the_figures() -> None:
    bad = answer(Case("", GONE_OUT, seen(STAY, 34), AFTER, None, Why.NO_NEWS))
    assert str(bad.text) == "chance 34 %, told at 81 %; the limit to take back is 50 %"
    shift = answer(Case("", GONE_OUT, seen(GO, 80, window=moved(-25)), AFTER, None, Why.NO_NEWS))
    assert str(shift.text) == "leave 25 min earlier"


def test_under_the_limit_by_less_than_the_margin_silence_and_the_last_word_say_so() -> None:
    doubt = "chance 47 %, under your limit of 50 % but not by the 5 points that would turn you round"
    silent = answer(Case("", GONE_OUT, seen(WAIT, 47), AFTER, None, Why.NO_NEWS))
    assert str(silent.text) == f"go, told at 81 %; now {doubt}"
    wishes = replace(WISHES, signal_lost_before=timedelta(minutes=30))
    last = answer(Case("", GONE_OUT, seen(WAIT, 47), utc(16, 0, 20), None, Why.NO_NEWS, wishes=wishes))
    assert str(last.text) == f"still go, {doubt}"


@pytest.mark.parametrize(("chance_pct", "stands"), [(None, True), (46, True), (45, False)])
def test_what_waits_to_be_sent_falls_by_the_rule_that_takes_a_go_back(
    chance_pct: int | None, stands: bool
) -> None:
    assert still_stands(AlertKind.GO, WAIT, chance_pct, WISHES) is stands


@pytest.mark.parametrize(("chance_pct", "stands"), [(None, True), (50, True), (49, False)])
def test_a_first_word_that_waits_falls_already_below_the_limit(chance_pct: int | None, stands: bool) -> None:
    first = is_first_word(AlertKind.GO, 1)
    assert still_stands(AlertKind.GO, WAIT, chance_pct, WISHES, is_first=first) is stands


@pytest.mark.parametrize(
    ("kind", "occurrence", "is_first"),
    [(HEADS_UP, 1, True), (AlertKind.GO, 1, True), (AlertKind.GO, 2, False), (AlertKind.CHANGED, 1, False)],
)
def test_first_words_are_the_first_heads_up_and_the_first_go(
    kind: AlertKind, occurrence: int, is_first: bool
) -> None:
    assert is_first_word(kind, occurrence) is is_first


def test_seen_is_read_off_a_verdict() -> None:
    storm = outlook(81, hazards=hazards(thunder=(HazardLevel.FAIL, 60.0)))
    verdict = judge(night(WINDOW), [storm], WISHES, now=NOON, site=SITE)
    assert build_seen(verdict, EVENING, NOON, SITE.tz) == seen(
        STAY, 81, hazards=("thunder",), decided_by="thunder"
    )


@pytest.mark.parametrize(
    ("now", "days_ahead"),
    [(utc(13, 3, 59), 3), (utc(13, 4), 2), (utc(15, 4), 0), (utc(16, 3, 59), 0), (utc(16, 4), -1)],
    ids=["before midnight", "two days", "the day", "late on the day", "after midnight"],
)
def test_days_ahead_are_counted_on_the_site_s_calendar(now: datetime, days_ahead: int) -> None:
    verdict = judge(night(WINDOW), [outlook()], WISHES, now=now, site=SITE)
    assert build_seen(verdict, EVENING, now, SITE.tz).days_ahead == days_ahead


def test_a_passed_window_is_over_and_no_hazard() -> None:
    verdict = judge(night(WINDOW), [outlook()], WISHES, now=WINDOW.end, site=SITE)
    found = build_seen(verdict, EVENING, WINDOW.end, SITE.tz)
    assert (found.word, found.is_over, found.hazards) == (STAY, True, ())


def test_a_night_without_weather_is_seen_without_chance() -> None:
    verdict = judge(night(WINDOW), [None], WISHES, now=NOON, site=SITE)
    assert build_seen(verdict, EVENING, NOON, SITE.tz) == seen(
        UNKNOWN, None, lineages=0, decided_by="forecast"
    )
