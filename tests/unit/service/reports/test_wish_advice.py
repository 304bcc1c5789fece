"""What is said to whoever subscribes: what can never hold here, what could, what works against the rest."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta

import pytest

from alerts.common.clock_times import ClockSpan
from alerts.judging.obstacles import Code
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarknessWish, Shape, SkyWishes, Target, TargetKind
from alerts.wishes.model import Distance, HomeBy, Temperature, Trip, UnitWishes, Wishes
from service.reports.wish_advice import Advice, advise, contradictions

TODAY = date(2027, 5, 10)
USUAL = Wishes(sky=SkyWishes(lowest_altitude_deg=None))
HIGH_CORE = replace(USUAL, sky=SkyWishes(lowest_altitude_deg=10.0))
FLAT = Site("Windpump Flat", 40.31, -1.42, 1180.0, "Europe/Madrid")
NORTH = Site("Broch", 52.0, -3.2, 200.0, "Europe/London")
FAR_NORTH = Site("Skerry", 70.0, 23.0, 10.0, "Europe/Oslo")
CLOSED = replace(FLAT, access_months=(4, 5, 6), access_note="road closed in winter")
ALL_YEAR = tuple(range(1, 13))
JANUARY = Trip(date(2028, 1, 3), date(2028, 1, 9), start="Lodge")


@pytest.fixture(scope="module")
def ephemeris() -> Ephemeris:
    return Ephemeris.open()


def ask(ephemeris: Ephemeris, site: Site, wishes: Wishes) -> Advice:
    return advise(site, wishes, TODAY, ephemeris)


def test_usual_wishes_are_counted_and_the_next_nights_named(ephemeris: Ephemeris) -> None:
    advice = ask(ephemeris, FLAT, USUAL)
    assert 100 < advice.past < 200
    assert advice.coming[0] >= TODAY
    assert not advice.year.never
    assert not advice.year.clashes
    assert f"{advice.past} nights of the last 12 months" in advice.text


def test_a_core_above_10_degrees_never_comes_in_darkness_at_52_north_and_what_can_is_offered(
    ephemeris: Ephemeris,
) -> None:
    """l = b = 0 lies at declination -28.94° in J2000 (ESA SP-1200, 1997, vol. 1, 1.5.3): it culminates at
    90 - 52 - 28.94 = 9.1° there."""
    advice = ask(ephemeris, NORTH, HIGH_CORE)
    assert advice.past == 0
    assert "never stands above 10° here; it reaches 9.1° at most" in advice.year.never[0]
    assert any(line.startswith("With the core above 5° there would be") for line in advice.year.never[1:])
    assert any(line.startswith("With the band there would be") for line in advice.year.never[1:])
    assert advice.text == "With these wishes no night of a year has the sky for it."


@pytest.mark.parametrize(
    ("site", "changes", "reason", "offer"),
    [
        (FLAT, {"shortest_window": timedelta(hours=9)}, "The longest window of a year here lasts 4 h",
         "With a shortest window of 30 min there would be"),
        (FLAT, {"shapes": (Shape.OVERHEAD,)}, "never stands as a band overhead in a window here; it stands",
         "With any shape there would be"),
        (FAR_NORTH, {}, "The core never rises here.", "With the band there would be"),
        (FLAT, {"home_by": tuple(HomeBy(day, time(20)) for day in range(7))},
         "Gate and way home leave too little of every window in a year.",
         "With no time to be home by there would be"),
        (replace(FLAT, access_months=(12,)), {},
         "No night with a window falls on an evening that suits you while the site can be reached.",
         "With the band there would be"),
    ],
    ids=["too long", "no such shape", "never up", "home before dark", "closed when it is up"],
)  # fmt: skip
def test_what_stands_in_the_way_of_every_night_is_named_with_a_way_out(
    ephemeris: Ephemeris, site: Site, changes: dict[str, object], reason: str, offer: str
) -> None:
    advice = ask(ephemeris, site, replace(USUAL, **changes))  # type: ignore[arg-type]  # fields by name
    assert reason in advice.year.never[0]
    assert any(line.startswith(offer) for line in advice.year.never[1:]), advice.year.never


def test_near_darkness_is_offered_where_the_sun_stays_too_high(ephemeris: Ephemeris) -> None:
    summer = replace(NORTH, lat_deg=51.5, access_months=(6,))
    sky = replace(USUAL.sky, lowest_altitude_deg=5.0)
    advice = ask(ephemeris, summer, replace(USUAL, sky=sky))
    near = replace(USUAL, sky=replace(sky, darkness=DarknessWish.NEAR))
    assert advice.past < ask(ephemeris, summer, near).past


def test_a_trip_without_a_night_is_said_and_one_with_some_is_not(ephemeris: Ephemeris) -> None:
    july = Trip(date(2027, 7, 1), date(2027, 7, 10))
    advice = ask(ephemeris, FLAT, replace(USUAL, trips=(JANUARY, july)))
    assert not advice.year.never
    assert advice.year.clashes == (
        "On your trip Mon 3 January to Sun 9 January 2028 no night has the sky for it.",
    )


def test_trips_of_which_none_has_a_night_are_never(ephemeris: Ephemeris) -> None:
    year = ask(ephemeris, FLAT, replace(USUAL, trips=(JANUARY,))).year
    assert year.never == ("On your trip Mon 3 January to Sun 9 January 2028 no night has the sky for it.",)
    assert not year.clashes
    assert not ask(ephemeris, FLAT, replace(USUAL, trips=(JANUARY,), trips_only=False)).year.never


def test_trips_that_lie_behind_are_said(ephemeris: Ephemeris) -> None:
    past = replace(USUAL, trips=(Trip(date(2026, 1, 1), date(2026, 1, 9)),))
    assert ask(ephemeris, FLAT, past).year.trips_are_over
    assert not ask(ephemeris, FLAT, replace(past, trips_only=False)).year.trips_are_over


@pytest.mark.parametrize(
    ("months", "changes", "why"),
    [
        (ALL_YEAR, {}, None),
        (ALL_YEAR, {"quiet": None}, None),
        (ALL_YEAR, {"quiet": ClockSpan(time(7), time(6, 30))}, None),
        (ALL_YEAR, {"quiet": ClockSpan(time(23, 30), time(23))}, None),
        (
            ALL_YEAR,
            {"quiet": ClockSpan(time(23, 30), time(23)), "drive": timedelta(hours=8)},
            Code.ALWAYS_QUIET,
        ),
        (ALL_YEAR, {"quiet": None, "drive": timedelta(hours=24)}, None),
        ((9, 10), {"quiet": None, "drive": timedelta(hours=24)}, Code.TOO_FAR),
        (ALL_YEAR, {"notice": timedelta(hours=24)}, None),
        (ALL_YEAR, {"signal_lost_before": timedelta(hours=24)}, None),
    ],
    ids=["usual", "never quiet", "half an hour awake", "awake before midnight", "awake when all is over",
         "a day's drive to nights that end at dawn", "a day's drive", "a day's notice", "no signal"],
)  # fmt: skip
def test_row_199_what_leaves_no_time_to_say_a_go_is_said(
    ephemeris: Ephemeris, months: tuple[int, ...], changes: dict[str, object], why: Code | None
) -> None:
    site = replace(FLAT, access_months=months)
    advice = ask(ephemeris, site, replace(USUAL, **changes))  # type: ignore[arg-type]  # fields by name
    assert advice.past
    assert advice.year.unsaid == why


@pytest.mark.parametrize(
    ("site", "changes", "says"),
    [
        (FLAT, {"gust_limit_ms": 5.0}, "gusts are never weaker than the wind"),
        (FLAT, {"weekdays": (4, 5), "home_by": (HomeBy(6, time(2)),)},
         "Home by after Sunday evenings changes nothing"),
        (FLAT, {"signal_lost_before": timedelta(hours=2)}, "the last word comes before you leave"),
        (CLOSED, {"trips": (JANUARY,)}, "can't be reached in January (road closed in winter)"),
        (FLAT, {}, ""),
        (FLAT, {"home_by": tuple(HomeBy(day, time(3)) for day in range(7)), "weekdays": (5,)}, ""),
    ],
    ids=["gusts", "home by", "signal", "closed road", "usual", "home by always"],
)  # fmt: skip
def test_what_works_against_the_rest_is_said_in_a_sentence(
    site: Site, changes: dict[str, object], says: str
) -> None:
    wishes = replace(USUAL, **changes)  # type: ignore[arg-type]  # by name
    found = [str(each) for each in contradictions(site, wishes, TODAY)]
    assert len(found) == bool(says)
    assert all(says in sentence for sentence in found)


def test_it_is_said_in_the_units_wished(ephemeris: Ephemeris) -> None:
    units = UnitWishes(Temperature.FAHRENHEIT, Distance.MILES)
    advice = ask(ephemeris, FLAT, replace(USUAL, gust_limit_ms=5.0, units=units))
    assert "gusts up to 11 mph" in advice.year.clashes[0]


def test_darkness_alone_is_offered_without_the_shapes_that_it_has_not(ephemeris: Ephemeris) -> None:
    target = SkyWishes(target=Target(TargetKind.CORE), lowest_altitude_deg=10.0)
    advice = ask(ephemeris, NORTH, replace(USUAL, sky=target, shapes=(Shape.OVERHEAD,)))
    assert any("darkness alone" in line for line in advice.year.never)


def test_what_each_choice_costs_here_is_said(ephemeris: Ephemeris) -> None:
    advice = ask(ephemeris, FLAT, USUAL)
    eager, even, choosy = advice.prices
    assert eager.startswith("eager, from 50 %: of ")
    assert even.startswith(f"even, from 70 %, as now: of {advice.past} nights with such a sky a year about ")
    assert choosy.startswith("choosy, from 85 %: of ")
    rings = [int(line.split(" a year about ")[1].split()[0]) for line in advice.prices]
    in_vain = [int(line.split("would ring, ")[1].split()[0]) for line in advice.prices]
    missed = [int(line.split("in vain, and ")[1].split()[0]) for line in advice.prices]
    assert rings == sorted(rings, reverse=True)
    assert in_vain == sorted(in_vain, reverse=True)
    assert missed == sorted(missed)


def test_limits_of_one_s_own_come_first(ephemeris: Ephemeris) -> None:
    advice = ask(ephemeris, FLAT, replace(USUAL, chance_go_pct=65))
    assert advice.prices[0].startswith("yours, from 65 %, as now: ")
    assert len(advice.prices) == 4


def test_a_clearer_place_rings_more_for_the_same_limit(ephemeris: Ephemeris) -> None:
    rings = [
        int(
            advise(FLAT, USUAL, TODAY, ephemeris, [share] * 12)
            .prices[1]
            .split(" a year about ")[1]
            .split()[0]
        )
        for share in (0.2, 0.44, 0.8)
    ]
    assert rings[0] < rings[1] < rings[2]
