"""Several sites over several dates, put in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from alerts.common.errors import BadInput
from alerts.common.phrases import say
from alerts.common.span import Span
from alerts.field.trip_plan import Home, with_home
from alerts.judging.assess import JudgingInputs
from alerts.judging.comparison import (
    MOST_SITES,
    ComparedNight,
    Order,
    compare,
    rank,
    sky_worth,
    tonight_at,
    usual_span,
)
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night, SkyWishes
from alerts.sky.nights.night_builder import nights
from alerts.weather.forecast import Place
from alerts.wishes.model import Wishes
from service.demo.play import FLAT, PAN, RIDGE, SATURDAY, InventedSky, Turn
from tests.unit.alerts.judging.values import outlook

NOW = datetime(2027, 7, 3, 12, tzinfo=UTC)
WISHES = Wishes(sky=SkyWishes(lowest_altitude_deg=None))
SKIES = {FLAT: WISHES.skies, RIDGE: WISHES.skies}


@pytest.fixture(scope="module")
def ephemeris() -> Ephemeris:
    return Ephemeris.open()


def place_of(site: Site) -> Place:
    return Place(site.lat_deg, site.lon_deg, site.elevation_m)


def weather_at(site: Site, cloud_pct: float) -> InventedSky:
    return InventedSky({place_of(site): (Turn(datetime(2027, 6, 1, tzinfo=UTC), SATURDAY, cloud_pct),)})


def test_the_clear_site_comes_first_and_the_sky_alone_after_it(ephemeris: Ephemeris) -> None:
    hours = Span(NOW, datetime(2027, 7, 4, 12, tzinfo=UTC))
    forecasts = {
        site: weather_at(site, cloud).gather([place_of(site)], hours).forecasts
        for site, cloud in ((FLAT, 90.0), (RIDGE, 5.0))
    }
    inputs = {site: JudgingInputs(site=site, now=NOW, forecasts=forecasts[site]) for site in (FLAT, RIDGE)}

    def judge(site: Site, nights: Sequence[Night]) -> ComparedNight:
        if nights[0].name != SATURDAY:
            return ComparedNight.of(site, nights[0])
        verdict = inputs[site].judge(nights, WISHES)
        return ComparedNight.of(site, nights[0], verdict, NOW)

    found = compare(SKIES, (SATURDAY, date(2027, 7, 6)), ephemeris, judge=judge)
    best, last = found[0], found[-1]
    assert (best.site, best.night.name) == (RIDGE, SATURDAY)
    assert best.verdict is not None
    assert best.verdict.word is VerdictWord.GO
    assert (last.site, last.night.name) == (FLAT, SATURDAY)
    assert last.verdict is not None
    assert last.verdict.word is VerdictWord.STAY
    assert {each.verdict for each in found[1:-1]} == {None}


def test_nights_that_nobody_judged_are_in_the_order_of_their_worth(ephemeris: Ephemeris) -> None:
    found = compare(SKIES, (SATURDAY, date(2027, 7, 16)), ephemeris)
    worths = [each.worth for each in found]
    assert worths == sorted(worths, reverse=True)
    assert all(each.minutes > 0 for each in found)


def test_what_was_decided_before_is_not_judged_again(ephemeris: Ephemeris) -> None:
    """A decided night is shown as it was, on the night that it is about."""
    night = nights(FLAT, SATURDAY, 1, WISHES.sky, ephemeris)[0]
    known = ComparedNight.of(FLAT, night, None, NOW, 41)

    def judge(site: Site, nights: Sequence[Night]) -> ComparedNight:
        assert (site, nights[0].name) != (FLAT, SATURDAY)
        return ComparedNight.of(site, nights[0])

    found = compare(SKIES, (SATURDAY, SATURDAY), ephemeris, judge=judge, decided=[known])
    assert known in found
    assert len(found) == 2


def test_each_site_is_looked_at_with_its_own_wishes(ephemeris: Ephemeris) -> None:
    near_horizon = SkyWishes(lowest_altitude_deg=5.0)
    both = compare(SKIES | {FLAT: [near_horizon]}, (SATURDAY, SATURDAY), ephemeris)
    alone = nights(FLAT, SATURDAY, 1, near_horizon, ephemeris)[0]
    assert next(each.night for each in both if each.site == FLAT) == alone
    assert next(each.worth for each in both if each.site == FLAT) == sky_worth(alone)


BAD = {
    "no site": ([], date(2027, 7, 3), date(2027, 7, 4), "at least one site"),
    "too many sites": (
        [replace(FLAT, name=str(k)) for k in range(MOST_SITES + 1)],
        date(2027, 7, 3),
        date(2027, 7, 4),
        "at most 50 sites",
    ),
    "dates the wrong way round": ([FLAT], date(2027, 7, 4), date(2027, 7, 3), "swap them"),
    "dates too far apart": ([FLAT], date(2027, 7, 3), date(2027, 9, 3), "at most 62 nights"),
}


@pytest.mark.parametrize(("sites", "first", "last", "said"), BAD.values(), ids=BAD)
def test_what_can_not_be_compared_is_refused(
    sites: list[Site], first: date, last: date, said: str, ephemeris: Ephemeris
) -> None:
    with pytest.raises(BadInput, match=said):
        compare(dict.fromkeys(sites, SKIES[FLAT]), (first, last), ephemeris)


NEVADA = Site("Dry Lake", 39.9, -119.1, 1300.0, "America/Los_Angeles")
TASMAN = Site("Shingle Fan", -43.9, 170.2, 700.0, "Pacific/Auckland")
TONIGHTS = {
    "an evening in America, the next day in UTC": ([NEVADA], datetime(2027, 7, 4, 3, tzinfo=UTC), 3),
    "a morning before dawn in Europe": ([FLAT], datetime(2027, 7, 4, 2, tzinfo=UTC), 3),
    "an evening in New Zealand": ([TASMAN], datetime(2027, 7, 4, 7, tzinfo=UTC), 4),
    "the earliest of sites round the world": ([TASMAN, NEVADA], datetime(2027, 7, 4, 3, tzinfo=UTC), 3),
    "no site": ([], datetime(2027, 7, 4, 3, tzinfo=UTC), 4),
}


@pytest.mark.parametrize(("sites", "now", "day"), TONIGHTS.values(), ids=TONIGHTS)
def test_without_dates_one_compares_from_the_night_that_runs_at_the_sites(
    sites: list[Site], now: datetime, day: int
) -> None:
    tonight = tonight_at(sites, now)
    assert tonight == date(2027, 7, day)
    assert usual_span(None, None, tonight) == (tonight, date(2027, 7, day + 13))


ORDERS = {
    Order.WORTH: [RIDGE, FLAT, PAN],
    Order.CHANCE: [FLAT, RIDGE, PAN],
    Order.DATE: [PAN, RIDGE, FLAT],
    Order.DRIVE: [PAN, FLAT, RIDGE],
}


@pytest.mark.parametrize("order", Order)
def test_nights_stand_in_the_order_that_was_chosen(ephemeris: Ephemeris, order: Order) -> None:
    """The ridge is worth most, the flat has the highest chance, the pan comes first and is nearest."""
    night = nights(FLAT, SATURDAY, 1, WISHES.sky, ephemeris)[0]
    found = [
        ComparedNight(FLAT, night, _chance(90), 100.0),
        ComparedNight(RIDGE, night, _chance(80), 200.0),
        ComparedNight(PAN, replace(night, name=date(2027, 7, 2)), None, 300.0),
    ]
    minutes = {FLAT: 60, RIDGE: 90, PAN: 30}
    wishes = {site: replace(WISHES, drive=timedelta(minutes=minutes[site])) for site in minutes}
    wishes[PAN] = with_home(WISHES, Home(PAN.lat_deg - 0.1, PAN.lon_deg), PAN)
    ranked = rank(found, order, wishes)
    assert [each.each.site for each in ranked] == ORDERS[order]
    assert {each.each.site: each.is_estimate for each in ranked} == {FLAT: False, RIDGE: False, PAN: True}


def test_equal_ones_stand_as_their_worth_has_them(ephemeris: Ephemeris) -> None:
    night = nights(FLAT, SATURDAY, 1, WISHES.sky, ephemeris)[0]
    found = [ComparedNight(FLAT, night, _chance(80), 1.0), ComparedNight(RIDGE, night, _chance(80), 2.0)]
    for order in Order:
        ranked = rank(found, order, dict.fromkeys((FLAT, RIDGE), WISHES))
        assert [each.each.site for each in ranked] == [RIDGE, FLAT]


def test_each_order_is_said() -> None:
    assert all(say("judging.order", order=order) for order in Order)


def _chance(chance_pct: int) -> Verdict:
    return Verdict(VerdictWord.GO, (), None, outlook(chance_pct))
