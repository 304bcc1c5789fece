"""The ladder over random weeks of weather, cycle by cycle."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise

from hypothesis import example, given
from hypothesis import strategies as st

from alerts.common.clock_times import ClockSpan
from alerts.common.span import Span
from alerts.field.trip_plan import FieldPlan
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import CurrentState, NotificationDecision, NotificationInput, PastAlert
from alerts.notifying.policy import what_to_tell
from alerts.wishes.model import Wishes
from tests.unit.alerts.field.trips import plan
from tests.unit.alerts.judging.values import EVENING, MINUTE, NOON, SITE, UNHURRIED, WINDOW
from tests.unit.alerts.notifying.policy_cases import (
    AFTER,
    CHANGED,
    CYCLE,
    GO,
    HEADS_UP,
    STAND_DOWN,
    STAY,
    THREE_DAYS_AHEAD,
    TOLD_GO,
    TRIP,
    UNKNOWN,
    WAIT,
    WISHES,
    moved,
    seen,
)

HALF_HOUR = timedelta(minutes=30)


def consistent(pct: int | None, days_ahead: int, now: datetime, window: Span) -> CurrentState:
    """A verdict's word for that chance, as `judge` would give it."""
    if now >= window.end - WISHES.shortest_window:
        return seen(STAY, pct, days_ahead, window=window, is_over=True)
    if pct is None:
        return seen(UNKNOWN, None, days_ahead, window=window, lineages=0)
    if pct >= WISHES.chance_go_pct and days_ahead <= 0:
        return seen(GO, pct, days_ahead, window=window)
    return seen(WAIT if pct >= 40 else STAY, pct, days_ahead, window=window)


steps = st.tuples(
    st.one_of(st.none(), st.integers(0, 100)), st.sampled_from([0, 0, 0, 10, 35, -25]), st.integers(1, 12)
)


def live_through(
    week: list[tuple[int | None, int, int]],
) -> list[tuple[PastAlert, CurrentState, NotificationDecision, FieldPlan]]:
    """Run the ladder over (chance, shift of the window in minutes, half hours until the next look)."""
    said: list[PastAlert] = []
    spoken = []
    now = THREE_DAYS_AHEAD
    for pct, shift_min, half_hours in week:
        window = moved(shift_min)
        days_ahead = (EVENING - now.astimezone(SITE.tz).date()).days
        view = consistent(pct, days_ahead, now, window)
        trip = plan(window, WISHES)
        telling = what_to_tell(
            NotificationInput(tuple(said), view, now=now, cycle=CYCLE, wishes=WISHES, plan=trip)
        )
        standing = [entry for entry in said if entry.kind is not HEADS_UP]
        if standing and standing[-1].kind is not STAND_DOWN and view.window is not None:
            promised = standing[-1].window
            turned_bad = view.chance_pct is not None and view.chance_pct + 5 <= WISHES.chance_back_pct
            if turned_bad and promised is not None and now < promised.end:
                assert telling.kind is STAND_DOWN, "silence when a told night turned bad"
        if telling.kind is not None:
            entry = PastAlert(telling.kind, now, pct, window, trip.leave_by, telling.occurrence)
            said.append(entry)
            spoken.append((entry, view, telling, trip))
        now += half_hours * CYCLE
    return spoken


@UNHURRIED
@given(st.lists(steps, min_size=1, max_size=60))
def test_over_any_week_the_ladder_keeps_its_promises(week: list[tuple[int | None, int, int]]) -> None:
    spoken = live_through(week)
    kinds = [entry.kind for entry, *_ in spoken]
    keys = [(entry.kind, entry.occurrence) for entry, *_ in spoken]
    assert len(keys) == len(set(keys)), "the same occurrence twice"
    goes = [kind for kind in kinds if kind in (TOLD_GO, STAND_DOWN)]
    assert all(left is not right for left, right in pairwise(goes)), "a stand-down without a go"
    assert not goes or goes[0] is TOLD_GO
    assert kinds.count(HEADS_UP) <= 1
    counted = [key for key in keys if key[0] in (HEADS_UP, CHANGED) or (key[0] is TOLD_GO and key[1] > 1)]
    assert len(counted) <= 3
    for entry, _, telling, trip in spoken:
        assert telling.expires_at is not None
        assert telling.expires_at > entry.at, "an alert for the past"
        if entry.kind is TOLD_GO:
            assert entry.at <= trip.latest_departure, "a go that can't be reached"


@UNHURRIED
@given(st.lists(steps, min_size=1, max_size=30))
def test_looking_again_at_the_same_says_nothing_new(week: list[tuple[int | None, int, int]]) -> None:
    """Each alert that went out silences itself: the same view a moment later is no news."""
    for number, (entry, view, _, trip) in enumerate(spoken := live_through(week)):
        before = [spoken[k][0] for k in range(number + 1)]
        again = what_to_tell(
            NotificationInput(tuple(before), view, now=entry.at, cycle=CYCLE, wishes=WISHES, plan=trip)
        )
        assert again.kind is None


@UNHURRIED
@example(begins=3, lasts=60, notice=0, drive=1, offset=0, late=[0] * 41 + [1, 4, 4] + [0] * 16)
@example(begins=1, lasts=600, notice=4, drive=5, offset=5, late=[0] * 37 + [4] + [0] * 22)
@given(
    begins=st.integers(-60, 60),
    lasts=st.integers(60, 1380),
    notice=st.integers(0, 30),
    drive=st.integers(1, 16),
    offset=st.integers(0, 29),
    late=st.lists(st.integers(0, 4), min_size=60, max_size=60),
)
def test_a_surely_good_night_is_always_called_before_one_must_leave_if_anybody_is_awake(
    begins: int, lasts: int, notice: int, drive: int, offset: int, late: list[int]
) -> None:
    """However the quiet hours lie to the moment of notice (`begins` minutes from it), and however late each
    cycle: if one look falls on the day, into waking hours and before leave-by, there is a go by then."""
    wishes = Wishes(notice=notice * HALF_HOUR, drive=drive * HALF_HOUR / 2)
    trip, now = plan(WINDOW, wishes), NOON - timedelta(hours=13) + offset * MINUTE
    asleep = (trip.leave_by - wishes.notice).astimezone(SITE.tz) + begins * MINUTE
    quiet = ClockSpan(asleep.time(), (asleep + lasts * MINUTE).time())
    wishes = replace(wishes, quiet=quiet)
    awake, called = [], None
    for minutes in late:
        now += CYCLE + minutes * MINUTE
        days_ahead = (EVENING - now.astimezone(SITE.tz).date()).days
        view = consistent(82, days_ahead, now, WINDOW)
        telling = what_to_tell(
            NotificationInput((), view, now=now, cycle=CYCLE, wishes=wishes, plan=trip, clock=SITE.tz)
        )
        called = called or (now if telling.kind is TOLD_GO else None)
        if days_ahead == 0 and now <= trip.leave_by and quiet.around(now, SITE.tz) is None:
            awake.append(now)
    assert not awake or (called is not None and called <= trip.leave_by)


@UNHURRIED
@given(st.integers(0, 100), st.sampled_from([GO, WAIT, UNKNOWN, STAY]), st.integers(-2, 5))
def test_with_nothing_told_a_stand_down_is_never_said(pct: int, word: VerdictWord, days: int) -> None:
    view = replace(seen(word, pct, days), hazards=("thunder",) if word is STAY else ())
    telling = what_to_tell(NotificationInput((), view, now=AFTER, cycle=CYCLE, wishes=WISHES, plan=TRIP))
    assert telling.kind is not STAND_DOWN
