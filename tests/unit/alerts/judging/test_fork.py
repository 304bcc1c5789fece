"""The fork: only where the ways to two sites part late, and until when that can be decided."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from alerts.common.span import Span
from alerts.field.trip_plan import USUAL_SPEED_KMH, Home, drive_from, drive_over, plan_from
from alerts.judging.comparison import NEAR_KM, Fork, SiteChoice, find_fork, fork_told
from alerts.judging.verdict import VerdictWord
from alerts.sites.great_circle import distance_km
from alerts.wishes.model import Drive, Wishes
from tests.unit.alerts.judging.values import HOUR, MINUTE, UNHURRIED, utc

HOME = Home(40.0, -1.0)
OPENS = utc(15, 22)


def choice(
    place: tuple[float, float],
    drive: timedelta | None,
    *,
    name: str = "East",
    opens=OPENS,
    scouting: timedelta = HOUR,
    lost_before: timedelta | None = None,
    chance_pct: int | None = 74,
) -> SiteChoice:
    """A site whose window opens then. drive: None for the usual one, which nobody gave."""
    by = Drive(90 * MINUTE, is_known=False) if drive is None else Drive(drive)
    window, wishes = Span(opens, opens + 2 * HOUR), Wishes(signal_lost_before=lost_before)
    plan = plan_from(window, wishes, opens - scouting, by)
    return SiteChoice(name, VerdictWord.GO, chance_pct, 1.0, window, plan, place)


def from_home(lat_deg: float, lon_deg: float, **more) -> SiteChoice:
    drive = drive_from(HOME, lat_deg, lon_deg)
    assert drive is not None
    return choice((lat_deg, lon_deg), drive, **more)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        pytest.param(from_home(40.6, -1.0), from_home(39.4, -1.0), id="the other way from home"),
        pytest.param(from_home(40.6, -1.0), from_home(40.3, -0.2), id="to the side"),
        pytest.param(from_home(40.6, -1.0), from_home(40.05, -1.0), id="far and near on one road"),
        pytest.param(choice((40, -1), None), choice((42.8, -1), None), id="314 km apart, the way unknown"),
        pytest.param(choice((40, -1), None), choice((40.28, -1), None), id="just beyond 30 km"),
        pytest.param(
            choice((40, -1), 90 * MINUTE), choice((42.8, -1), 90 * MINUTE), id="314 km apart, both given"
        ),
        pytest.param(
            choice((40, -1), 90 * MINUTE), choice((40.05, -1), 40 * MINUTE), id="one leaves much later"
        ),
        pytest.param(
            choice((40, -1), None, scouting=timedelta(0), lost_before=10 * MINUTE),
            choice((40.2, -1), None, scouting=timedelta(0), lost_before=10 * MINUTE),
            id="the last signal comes too late to change over",
        ),
    ],
)
def test_row_217_no_fork_where_the_ways_part_early_or_nobody_knows(one, other):
    assert find_fork(one, other) is None
    assert find_fork(other, one) is None
    assert fork_told(one, [other], utc(15, 12), "UTC") is None


def test_neighbours_far_from_home_are_decided_between_where_the_ways_part():
    one, other = from_home(40.6, -1.0), from_home(40.6, -0.9, name="West")
    assert one.plan is not None
    assert other.plan is not None
    assert one.plan.drive.length == 85 * MINUTE  # 66.7 km
    crossing = 15 * MINUTE  # 8.4 km at 50 km/h
    shared = (one.plan.drive.length + other.plan.drive.length - crossing) / 2
    fork = find_fork(one, other)
    assert fork is not None
    assert fork.decide_at - fork.leave_by == shared - shared % (5 * MINUTE)
    said = str(fork_told(one, [other], utc(15, 12), "UTC"))
    assert said == "leave by 19:35 either way; decide at 20:50: East 74 %, West 74 %"


def test_it_is_decided_before_the_phone_goes_silent_on_either_way():
    one = from_home(40.6, -1.0, lost_before=60 * MINUTE)
    other = from_home(40.6, -0.9, name="West")
    fork = find_fork(one, other)
    assert fork is not None
    assert fork.decide_at == fork.leave_by + 25 * MINUTE


def test_near_ones_are_decided_between_on_leaving_where_the_way_is_unknown():
    one, other = choice((40, -1), None), choice((40.2, -1), None, name="West", chance_pct=None)
    assert find_fork(one, other) == Fork(one.plan.leave_by, one.plan.leave_by)
    said = str(fork_told(one, [other], utc(15, 12), "UTC"))
    assert said == "leave by 19:30 either way; decide then: East 74 %, West chance unknown"
    close = str(fork_told(one, [other], utc(15, 20), "UTC"))
    assert close == "two sites are close: East 74 %, West chance unknown"


def test_the_best_site_with_a_late_parting_is_named_not_the_best_of_all():
    far, near = from_home(39.4, -1.0, name="Far"), from_home(40.6, -0.9, name="Near")
    assert "Near" in str(fork_told(from_home(40.6, -1.0), [far, near], utc(15, 12), "UTC"))


_DEGREES = st.floats(-2, 2, allow_nan=False)
_MINUTES = st.one_of(st.none(), st.integers(0, 240).map(lambda each: each * MINUTE))


@UNHURRIED
@given(
    st.lists(st.tuples(_DEGREES, _DEGREES), min_size=2, max_size=2),
    st.lists(_MINUTES, min_size=2, max_size=2),
    st.booleans(),
    st.lists(st.integers(0, 90), min_size=3, max_size=3),
    _MINUTES,
)
def test_row_218_never_between_sites_farther_apart_than_can_be_driven_before_a_window(
    offsets, drives, knows_home, minutes, lost_before
):
    places = [(HOME.lat_deg + north, HOME.lon_deg + east) for north, east in offsets]
    if knows_home:
        drives = [drive_from(HOME, *place) for place in places]
        assume(None not in drives)
    scouting, later = minutes[0] * MINUTE, minutes[1] * MINUTE
    one = choice(places[0], drives[0], scouting=scouting, lost_before=lost_before)
    other = choice(places[1], drives[1], opens=OPENS + later, scouting=scouting)
    fork = find_fork(one, other)
    assert fork == find_fork(other, one)
    if fork is None:
        return
    apart_km = distance_km(*places[0], *places[1])
    on_the_road = max(fork.decide_at, fork.leave_by)
    assert on_the_road + drive_over(apart_km, USUAL_SPEED_KMH) <= OPENS
    assert fork.leave_by == min(one.plan.leave_by, other.plan.leave_by)
    if None in drives:
        assert apart_km <= NEAR_KM
    else:
        assert fork.decide_at <= fork.leave_by + min(drives)
