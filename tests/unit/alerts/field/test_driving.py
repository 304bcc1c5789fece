"""Drives estimated from home: the figures, what isn't estimated, and what goes before an estimate."""

from dataclasses import replace
from datetime import date, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.field.trip_plan import DETOUR, DRIVE_STEP, LONGEST_DRIVE, Home, drive_from, drive_over, with_home
from alerts.sites.model import Site
from alerts.wishes.fields import drive_phrase, read_words, write_words
from alerts.wishes.model import Drive, HomeBy, Trip, Wishes, as_judged
from tests.unit.alerts.field.trips import plan
from tests.unit.alerts.judging.values import utc

HOME = Home(40.0, -1.0)
MINUTE = timedelta(minutes=1)


@pytest.mark.parametrize(
    ("km", "speed_kmh", "minutes"),
    [
        pytest.param(0, 70, 0, id="at home"),
        pytest.param(0.1, 70, 5, id="next door"),
        pytest.param(50, 70, 60, id="one hour exactly"),
        pytest.param(50.1, 70, 65, id="rounded up"),
        pytest.param(91, 70, 110, id="about 1 h 50"),
        pytest.param(50, 35, 120, id="half as fast"),
    ],
)
def test_a_drive_is_the_great_circle_times_the_detour_by_the_speed(km, speed_kmh, minutes):
    assert drive_over(km, speed_kmh) == minutes * MINUTE


def test_a_place_a_degree_north_is_two_and_a_quarter_hours_away():
    assert drive_from(HOME, 41.0, -1.0) == timedelta(hours=2, minutes=15)  # 111.2 km x 1.4 / 70 km/h


@pytest.mark.parametrize("lat_deg", [46.0, -40.0], ids=["a long day's drive", "the other side of the Earth"])
def test_what_nobody_drives_has_no_estimate(lat_deg):
    assert drive_from(HOME, lat_deg, -1.0) is None
    assert with_home(Wishes(), HOME, Site("Far", lat_deg, -1.0)).usual_drive.length == 90 * MINUTE


@given(st.floats(-89, 89), st.floats(-180, 180), st.floats(-89, 89), st.floats(-180, 180), st.floats(10, 150))
def test_no_estimate_is_shorter_than_the_straight_way_or_longer_than_a_step_more(a, b, c, d, speed_kmh):
    home = Home(a, b, speed_kmh)
    straight = timedelta(hours=home.away_km(c, d) * DETOUR / speed_kmh)
    drive = drive_from(home, c, d)
    if drive is None:
        assert straight > LONGEST_DRIVE - DRIVE_STEP
    else:
        assert straight <= drive + MINUTE / 60
        assert drive - straight <= DRIVE_STEP
        assert drive % DRIVE_STEP == timedelta(0)


@pytest.mark.parametrize("home", [(91, 0), (0, 181), (40, -1, 5), (40, -1, 200)])
def test_a_home_that_cannot_be_is_refused(home):
    with pytest.raises(BadInput):
        Home(*home)


def test_a_home_is_kept_to_a_hundredth_of_a_degree():
    assert Home(40.123456, -1.98765, 62.5).rounded == Home(40.12, -1.99, 62.5)


SITE = Site("Ridge", 41.0, -1.0)
ESTIMATED = with_home(Wishes(), HOME, SITE)
GIVEN = with_home(Wishes(drive=timedelta(minutes=40)), HOME, SITE)


def test_a_given_drive_goes_before_the_estimate_and_ninety_minutes_after_both():
    assert ESTIMATED.usual_drive == Drive(135 * MINUTE, is_estimate=True)
    assert GIVEN.usual_drive == Drive(40 * MINUTE)
    assert Wishes().usual_drive == Drive(90 * MINUTE, is_known=False)
    assert with_home(ESTIMATED, None, SITE) == Wishes()


def test_the_drive_of_a_trip_is_no_estimate():
    trip = Trip(date(2027, 7, 1), date(2027, 7, 3), 20 * MINUTE, "Lodge")
    wishes = with_home(Wishes(trips=(trip,), trips_only=False), HOME, SITE)
    on, off = date(2027, 7, 2), date(2027, 7, 5)
    assert wishes.drive_on(on) == Drive(20 * MINUTE)
    assert wishes.drive_on(off) == Drive(135 * MINUTE, is_estimate=True)


def test_a_trip_that_names_no_drive_isnt_reckoned_from_home():
    trip = Trip(date(2027, 7, 1), date(2027, 7, 3), None, "Lodge")
    wishes = with_home(Wishes(trips=(trip,), trips_only=False), HOME, SITE)
    on = date(2027, 7, 2)
    assert wishes.drive_on(on) == Drive(90 * MINUTE, is_known=False)
    home_by = replace(wishes, home_by=(HomeBy(4, time(3, 0)),))
    assert as_judged(home_by).drive_on(on).length == 90 * MINUTE
    assert replace(wishes, drive=50 * MINUTE).drive_on(on).length == 50 * MINUTE
    assert replace(wishes, drive=0 * MINUTE).drive_on(on).length == 0 * MINUTE


def test_the_plan_goes_by_the_estimate_and_says_so():
    window = Span(utc(1, 22), utc(2, 1))
    made = plan(window, ESTIMATED)
    assert made.leave_by == utc(1, 18, 45)
    assert made.drive.is_estimate
    assert not plan(window, GIVEN).drive.is_estimate


def test_the_drive_in_words_says_where_it_is_from():
    assert str(drive_phrase(ESTIMATED)) == "about 2 h 15 min to drive, an estimate from home"
    assert str(drive_phrase(GIVEN)) == "40 min to drive"
    assert str(drive_phrase(Wishes())) == "1 h 30 min to drive"


def test_the_wish_is_written_usual_and_reads_back():
    assert (write_words(ESTIMATED)["drive"], write_words(GIVEN)["drive"]) == ("usual", "40")
    again = read_words({"drive": ["usual"]}, GIVEN, called=lambda word: word.name)
    assert again == ESTIMATED


def test_verdicts_share_what_no_verdict_reads():
    assert as_judged(ESTIMATED) == as_judged(Wishes()) == as_judged(GIVEN)
