"""Seasons: every night with a window, totals, what wishes cost, and what can never hold."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from alerts.common.errors import BadInput, OutsideEphemeris
from alerts.common.span import Span
from alerts.common.text import direction_letters
from alerts.sites.model import HorizonLine, Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import WINTER_ARC_L_DEG, DarknessWish, Shape, ShapeSpan, SkyWishes, Target, TargetKind
from alerts.sky.nights.night_builder import nights
from alerts.sky.nights.season import (
    TOO_SHORT_MIN,
    Season,
    count_nights,
    easier_wishes,
    never_holds,
    season,
    wishes_text,
    worth_of,
)
from alerts.sky.target_visibility import SHORTEST_BY_DEFAULT_MIN, lowest_altitudes_deg

SITE = Site("Saddle", 46.5, 7.0, 1900, "Europe/Zurich")
FIRST, LAST = date(2027, 1, 1), date(2027, 12, 31)


@pytest.fixture(scope="module")
def year(ephemeris: Ephemeris) -> Season:
    return season(SITE, FIRST, LAST, SkyWishes(), ephemeris)


def test_a_season_holds_every_night_with_a_window_and_no_other(ephemeris: Ephemeris, year: Season) -> None:
    row = nights(SITE, FIRST, 365, SkyWishes(), ephemeris)
    assert [night.name for night in year.nights] == [night.name for night in row if night.windows]
    for got in year.nights[::10]:
        (want,) = [night for night in row if night.name == got.name]
        assert got.windows == want.windows
        assert got.moon_lit == want.moon_lit
        assert (got.moon_rises, got.moon_sets) == (want.moon.rises, want.moon.sets)
        assert got.minutes == pytest.approx(sum(w.span.minutes for w in want.windows))


def test_months_add_up_to_the_season(year: Season) -> None:
    assert sum(month.nights for month in year.months) == len(year.nights)
    assert sum(month.minutes for month in year.months) == pytest.approx(sum(n.minutes for n in year.nights))
    assert [month.month for month in year.months] == [3, 4, 5, 6, 7, 8, 9]
    for month in year.months:
        own = {n.name: n.minutes for n in year.nights if n.name.month == month.month}
        assert own[month.longest] == max(own.values())


def test_by_worth_puts_the_best_first_and_keeps_all(year: Season) -> None:
    ordered = year.by_worth()
    assert sorted(night.name for night in ordered) == [night.name for night in year.nights]
    assert [night.worth for night in ordered] == sorted((n.worth for n in year.nights), reverse=True)


def test_directions_follow_the_core_from_left_to_right(year: Season) -> None:
    for night in year.nights:
        start, end = night.windows[0].track[0], night.windows[-1].track[-1]
        assert start.azimuth_deg < end.azimuth_deg
        assert start.at == night.windows[0].span.start
        assert end.at == night.windows[-1].span.end
        assert str(direction_letters(start.azimuth_deg)) in ("SE", "SSE", "S", "SSW", "SW")


def test_shapes_come_longest_first(year: Season) -> None:
    for night in year.nights[::9]:
        minutes = dict.fromkeys(night.shapes, 0.0)
        for window in night.windows:
            for piece in window.shapes:
                minutes[piece.shape] += piece.span.minutes
        assert list(minutes.values()) == sorted(minutes.values(), reverse=True)


def test_easier_wishes_never_cost_nights(year: Season) -> None:
    nights_by_text = {cost.text: cost.nights for cost in year.costs}
    assert year.costs[0].chosen
    assert year.costs[0].nights == len(year.nights)
    assert list(nights_by_text) == [
        "the core above 10°",
        "the core above 5°",
        "the core above 3°",
        "the core above 10°, near darkness",
        "the core above 10°, a thin Moon that costs up to 0.3 mag",
        "the band",
        "darkness alone",
    ]
    assert all(number >= len(year.nights) for number in nights_by_text.values())
    assert nights_by_text["darkness alone"] >= nights_by_text["the band"]


def test_each_wish_says_the_hours_that_its_nights_have_together(year: Season) -> None:
    """So a thin Moon that lengthens nights which count already is seen too."""
    minutes_by_text = {cost.text: cost.minutes for cost in year.costs}
    asked = minutes_by_text["the core above 10°"]
    assert asked == pytest.approx(sum(night.minutes for night in year.nights), abs=1)
    assert minutes_by_text["the core above 10°, a thin Moon that costs up to 0.3 mag"] > asked
    assert minutes_by_text["darkness alone"] > minutes_by_text["the band"] > asked


def test_nights_are_as_many_as_an_independent_count(ephemeris: Ephemeris) -> None:
    """Core season at 45 N in 2026, Moon ignored: first night Feb 27, last Sep 30, longest Jun 10 with
    206 minutes; astropy 8.0.2."""
    site = Site("There", 45, 0)
    whole = season(site, date(2026, 1, 1), date(2026, 12, 31), SkyWishes(moonless=False), ephemeris)
    assert abs((whole.nights[0].name - date(2026, 2, 27)).days) <= 1
    assert abs((whole.nights[-1].name - date(2026, 9, 30)).days) <= 1
    longest = max(whole.nights, key=lambda night: night.minutes)
    assert longest.minutes == pytest.approx(206, abs=1)
    assert abs((longest.name - date(2026, 6, 10)).days) <= 2


def test_progress_counts_every_night(ephemeris: Ephemeris) -> None:
    told: list[tuple[int, int]] = []
    season(SITE, date(2027, 6, 1), date(2027, 6, 30), SkyWishes(), ephemeris, lambda *at: told.append(at))
    assert told == [(k, 30) for k in range(1, 31)]


def test_one_night_is_a_season_too(ephemeris: Ephemeris) -> None:
    one = season(SITE, date(2027, 6, 6), date(2027, 6, 6), SkyWishes(), ephemeris)
    assert [night.name for night in one.nights] == [date(2027, 6, 6)]


def test_a_season_across_a_date_the_calendar_left_out_ends_where_it_should(ephemeris: Ephemeris) -> None:
    apia = Site("Apia", -13.83, -171.77, 0, "Pacific/Apia")
    wishes = SkyWishes(target=Target(TargetKind.NONE), moonless=False)
    whole = season(apia, date(2011, 12, 28), date(2012, 1, 2), wishes, ephemeris)
    names = [night.name.isoformat() for night in whole.nights]
    assert names == ["2011-12-28", "2011-12-29", "2011-12-31", "2012-01-01", "2012-01-02"]


def test_dates_in_the_wrong_order_are_refused(ephemeris: Ephemeris) -> None:
    with pytest.raises(BadInput, match="swap them"):
        season(SITE, LAST, FIRST, SkyWishes(), ephemeris)


def test_more_than_five_years_are_refused(ephemeris: Ephemeris) -> None:
    with pytest.raises(BadInput, match="at most five years"):
        season(SITE, date(2020, 1, 1), date(2030, 1, 1), SkyWishes(), ephemeris)


def test_years_outside_the_kernel_are_refused(ephemeris: Ephemeris) -> None:
    with pytest.raises(OutsideEphemeris, match="1899-08-04 to 2053-10-02"):
        season(SITE, date(2053, 1, 1), date(2053, 12, 31), SkyWishes(), ephemeris)


MIDNIGHT = datetime(2026, 7, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("pieces", "want"),
    [
        ([], 0),
        ([((Shape.ARCH,), 60)], 60),
        ([((Shape.LEANING,), 60), ((Shape.OVERHEAD,), 60)], 84),
        ([((Shape.OVERHEAD, Shape.COLUMN), 60)], 60),
        ([((Shape.COLUMN,), 240)], 240),
        ([((Shape.COLUMN,), 300)], 270),
    ],
    ids=["none", "arch", "high", "the best of two", "four hours", "beyond"],
)
def test_worth_weighs_shapes_and_halves_what_is_beyond_four_hours(
    pieces: list[tuple[tuple[Shape, ...], int]], want: float
) -> None:
    spans = [
        ShapeSpan(shape, Span(MIDNIGHT, MIDNIGHT + timedelta(minutes=lasts)), tuple(also))
        for (shape, *also), lasts in pieces
    ]
    assert worth_of(spans) == pytest.approx(want)


USUAL = SkyWishes(lowest_altitude_deg=None)


@pytest.mark.parametrize("lat", [40.0, 50.0, 53.0])
def test_by_default_nothing_that_lasts_moments_is_a_window(ephemeris: Ephemeris, lat: float) -> None:
    site = Site("There", lat, 0)
    lowest = SkyWishes(lowest_altitude_deg=float(lowest_altitudes_deg([site], USUAL)[0]))
    first, last = date(2026, 1, 1), date(2026, 12, 31)
    every = season(site, first, last, lowest, ephemeris).nights
    usual = season(site, first, last, USUAL, ephemeris).nights
    lengths = [window.span.minutes for night in every for window in night.windows]
    kept = [window.span.minutes for night in usual for window in night.windows]
    assert kept == [minutes for minutes in lengths if minutes >= SHORTEST_BY_DEFAULT_MIN]
    assert 0 < len(kept) < len(lengths)


def test_where_the_core_only_peeps_over_its_limit_that_is_said(ephemeris: Ephemeris) -> None:
    """At 55 degrees north thirteen nights of two or three minutes."""
    site = Site("Dyke", 55, 0)
    assert count_nights(site, date(2026, 1, 1), 365, SkyWishes(lowest_altitude_deg=3.0), ephemeris) == 13
    assert count_nights(site, date(2026, 1, 1), 365, USUAL, ephemeris) == 0
    reason, *_ = never_holds(site, USUAL, 2026, ephemeris)
    assert reason == "The core above 3° is in darkness for less than 5 minutes at a time here."


def test_a_night_below_half_an_hour_is_too_short_to_use(ephemeris: Ephemeris) -> None:
    """One piece must be long enough: two short ones don't make a long one."""
    found = season(SITE, date(2026, 2, 1), date(2026, 6, 1), USUAL, ephemeris)
    longest = {night.name: max(each.span.minutes for each in night.windows) for night in found.nights}
    too_short = {night.name for night in found.nights if night.is_too_short}
    assert too_short == {name for name, minutes in longest.items() if minutes < TOO_SHORT_MIN}
    assert 0 < len(too_short) < len(longest)


TEXTS = (
    (SkyWishes(), "the core above 10°"),
    (SkyWishes(lowest_altitude_deg=None), "the core above 10°"),
    (SkyWishes(darkness=DarknessWish.NEAR), "the core above 10°, near darkness"),
    (SkyWishes(target=Target(TargetKind.BAND)), "the band"),
    (SkyWishes(target=Target(TargetKind.BAND, arc_l_deg=WINTER_ARC_L_DEG)), "the winter arc"),
    (SkyWishes(target=Target(TargetKind.BAND, arc_l_deg=(0.0, 90.0))), "the band from longitude 0° to 90°"),
    (SkyWishes(target=Target(TargetKind.NONE), moonless=False), "darkness alone, Moon or not"),
    (SkyWishes(target=Target(TargetKind.RADEC, "M 31", 10.68, 41.27)), "M 31 above 10°"),
)


@pytest.mark.parametrize(("wishes", "text"), TEXTS, ids=[text for _, text in TEXTS])
def test_wishes_in_words(wishes: SkyWishes, text: str) -> None:
    assert wishes_text(Site("There", 40, 0), wishes) == text


def test_wishes_that_give_nights_hold(ephemeris: Ephemeris) -> None:
    assert never_holds(SITE, SkyWishes(), 2027, ephemeris) == ()


NEVER = (
    ("too far north for ten degrees", 52, SkyWishes(),
     "The core never stands above 10° here; it reaches 9.1° at most."),
    ("only in summer's twilight", 50.5, SkyWishes(), "The core above 10° never comes in darkness here."),
    ("not even in near darkness", 61, SkyWishes(darkness=DarknessWish.NEAR, lowest_altitude_deg=0.5),
     "The core never stands above 0.5° here; it reaches 0.1° at most."),
    ("never above the horizon", 62, SkyWishes(), "The core never rises here."),
    ("a southern star", 40, SkyWishes(target=Target(TargetKind.RADEC, "Acrux", 186.65, -63.1)),
     "Acrux never rises here."),
)  # fmt: skip


@pytest.mark.parametrize(("lat", "wishes", "reason"), [case[1:] for case in NEVER], ids=[c[0] for c in NEVER])
def test_what_can_never_hold_is_said_with_its_reason(
    ephemeris: Ephemeris, lat: float, wishes: SkyWishes, reason: str
) -> None:
    sentences = never_holds(Site("There", lat, 0), wishes, 2026, ephemeris)
    assert sentences[0] == reason
    assert all(sentence.endswith(".") for sentence in sentences)
    assert sentences[-1].startswith("With darkness alone")


def test_what_would_hold_is_offered_with_its_nights(ephemeris: Ephemeris) -> None:
    site = Site("There", 52, 0)
    sentences = never_holds(site, SkyWishes(), 2026, ephemeris)
    lower = SkyWishes(lowest_altitude_deg=5.0)
    number = len(season(site, date(2026, 1, 1), date(2026, 12, 31), lower, ephemeris).nights)
    assert f"With the core above 5° there would be {number} nights in 2026." in sentences


def test_a_ridge_that_hides_the_core_all_year_is_named(ephemeris: Ephemeris) -> None:
    pit = HorizonLine((0.0, 90.0, 180.0, 270.0), (70.0, 70.0, 70.0, 70.0))
    sentences = never_holds(Site("Pit", 40, 0, horizon=pit), SkyWishes(), 2026, ephemeris)
    assert sentences[0] == "The ridge hides the core whenever it stands above 10° here."
    band = never_holds(
        Site("Pit", 40, 0, horizon=pit), SkyWishes(target=Target(TargetKind.BAND)), 2026, ephemeris
    )
    assert band[0] == "The band never stands high enough here."


def test_easier_wishes_are_easier_in_one_way_each() -> None:
    for other in easier_wishes(SITE, SkyWishes()):
        changed = [
            other.target != Target(),
            other.darkness is DarknessWish.NEAR,
            other.lowest_altitude_deg != 10.0,
            other.most_loss_mag is not None,
        ]
        assert sum(changed) == 1


def test_a_thin_moon_adds_nights_and_a_thicker_one_more(ephemeris: Ephemeris) -> None:
    first, count = date(2026, 1, 1), 365
    thin = [
        count_nights(SITE, first, count, SkyWishes(moonless=False, most_loss_mag=loss), ephemeris)
        for loss in (0.1, 0.3, 0.6)
    ]
    moonless = count_nights(SITE, first, count, SkyWishes(), ephemeris)
    any_moon = count_nights(SITE, first, count, SkyWishes(moonless=False), ephemeris)
    assert moonless <= thin[0] <= thin[1] <= thin[2] <= any_moon
    assert moonless < thin[2] < any_moon


def test_windows_by_loss_hold_the_moonless_ones(ephemeris: Ephemeris) -> None:
    strict = season(SITE, date(2026, 6, 1), date(2026, 7, 31), SkyWishes(), ephemeris)
    lenient = season(
        SITE, date(2026, 6, 1), date(2026, 7, 31), SkyWishes(moonless=False, most_loss_mag=0.3), ephemeris
    )
    spans = [window.span for night in lenient.nights for window in night.windows]
    for night in strict.nights:
        for window in night.windows:
            assert any(s.start <= window.span.start and window.span.end <= s.end for s in spans), night.name
