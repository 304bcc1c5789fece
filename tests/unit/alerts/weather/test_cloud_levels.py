"""Cloud by height: what is left over a site that stands above a deck, and what lies below it.

The overlap is checked against a sum over sub-columns: a sky cut into a thousand columns, filled level by
level as maximum-random overlap is defined, knows the cover without the formula.
"""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from alerts.weather.cloud_levels import LayeredCloud, above_site, cloud_above_site, overlapped, with_levels
from alerts.weather.forecast import CloudLevels, Forecast, LayerScheme, Place, Source
from alerts.weather.hours import HourlyWeather, Hours

HPA = (1000, 950, 925, 900, 850, 800, 700, 600)
STANDARD_M = (111.0, 540.0, 762.0, 988.0, 1457.0, 1949.0, 3012.0, 4206.0)
"""Heights of the levels in the standard atmosphere (ISO 2533), metres."""
DECK = (100.0, 100.0, 100.0, 90.0, 0.0, 0.0, 0.0, 0.0)
"""Stratus up to about 1,220 m."""
NAN = float("nan")


def over(
    site_m: float,
    levels_pct: tuple[float, ...],
    total: float,
    low: float,
    mid: float = 0.0,
    high: float = 0.0,
    heights_m: tuple[float, ...] = STANDARD_M,
) -> tuple[float, ...]:
    """One hour: total and layers above the site, and what lies below it."""
    own = LayeredCloud(*(np.array([each]) for each in (total, low, mid, high)))
    above, below = cloud_above_site(
        np.array([levels_pct]), np.array([heights_m]), site_m, own, LayerScheme.OPEN_METEO
    )
    return tuple(float(each[0]) for each in (*above, below))


@pytest.mark.parametrize("site_m", [1850.0, 2400.0, 2850.0])
def test_row_161_a_site_above_the_deck_has_a_clear_sky_and_cloud_below(site_m: float) -> None:
    assert over(site_m, DECK, 100, 100) == (0.0, 0.0, 0.0, 0.0, 100.0)


@pytest.mark.parametrize("site_m", [300.0, 900.0, 1150.0])
def test_a_site_in_or_under_the_deck_has_it_above(site_m: float) -> None:
    total, low, *_ = over(site_m, DECK, 100, 100)
    assert low >= 90
    assert total >= 90


def test_cirrus_over_the_deck_stays() -> None:
    total, low, mid, high, below = over(1850, DECK, 100, 100, 0, 45)
    assert (low, mid, high, below) == (0.0, 0.0, 45.0, 100.0)
    assert total == pytest.approx(45.0)


def test_low_cloud_above_the_site_stays() -> None:
    broken = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 60.0, 0.0)
    assert over(1850, broken, 60, 60, heights_m=(*STANDARD_M[:6], 2950.0, STANDARD_M[7]))[:2] == (
        60.0,
        60.0,
    )


def test_what_the_levels_do_not_explain_may_lie_anywhere() -> None:
    """Levels that know of no cloud where the model has some say nothing of where it is."""
    nothing = (0.0,) * 8
    assert over(1850, nothing, 100, 100)[:2] == (100.0, 100.0)
    shares = [over(1850, (below, *nothing[1:]), 100, 100)[0] for below in range(0, 101, 10)]
    assert shares == sorted(shares, reverse=True)
    assert shares[-1] == 0.0


def test_a_total_beyond_the_layers_is_left_above() -> None:
    assert over(1850, DECK, 80, 20)[0] == pytest.approx(60.0)


def test_cloud_above_is_never_more_than_the_models_own() -> None:
    dice = random.Random(7)
    for _ in range(400):
        levels = tuple(dice.choice((0.0, 30.0, 100.0, dice.uniform(0, 100))) for _ in HPA)
        total, low, mid, high = (dice.uniform(0, 100) for _ in range(4))
        found = over(dice.uniform(600, 5000), levels, total, low, mid, high)
        for above, own in zip(found, (total, low, mid, high), strict=False):
            assert np.isnan(above) or -1e-6 <= above <= own + 1e-6


@pytest.mark.parametrize("gone", range(8))
def test_row_162_an_unknown_level_makes_the_hour_unknown_never_clear(gone: int) -> None:
    levels = (*DECK[:gone], NAN, *DECK[gone + 1 :])
    assert np.isnan(over(1850, levels, 100, 100)[0])
    heights = (*STANDARD_M[:gone], NAN, *STANDARD_M[gone + 1 :])
    assert np.isnan(over(1850, DECK, 100, 100, heights_m=heights)[0])


@pytest.mark.parametrize("which", range(4))
def test_an_unknown_layer_of_the_model_is_unknown(which: int) -> None:
    own = [100.0, 100.0, 0.0, 0.0]
    own[which] = NAN
    assert np.isnan(over(1850, DECK, *own)[0])


def test_a_hole_between_levels_hides_cloud() -> None:
    own = LayeredCloud(*(np.array([each]) for each in (100.0, 100.0, 0.0, 0.0)))
    above, _ = cloud_above_site(
        np.array([[100.0, 0.0, 0.0]]),
        np.array([[111.0, 1457.0, 5574.0]]),
        1850.0,
        own,
        LayerScheme.OPEN_METEO,
    )
    assert np.isnan(above.total[0])


def sub_columns(cover: list[float], columns: int = 1000) -> float:
    """The share of columns with cloud in any level, filled from the top down as the overlap is defined.

    A level's cloud first takes the columns under its neighbour's; its rest falls on the others at random.
    """
    seen = np.zeros(columns, dtype=bool)
    above = np.zeros(columns, dtype=bool)
    dice = np.random.default_rng(3)
    for share in cover:
        count = round(share * columns)
        under, beside = np.flatnonzero(above), np.flatnonzero(~above)
        filled = np.zeros(columns, dtype=bool)
        if count <= len(under):
            filled[dice.permutation(under)[:count]] = True
        else:
            filled[under] = True
            filled[dice.permutation(beside)[: count - len(under)]] = True
        seen |= filled
        above = filled
    return float(seen.mean())


def test_levels_overlap_as_maximum_random_is_defined() -> None:
    dice = random.Random(11)
    for _ in range(60):
        cover = [dice.choice((0.0, 0.2, 0.5, 0.8, 1.0)) for _ in range(5)]
        formula = overlapped(100 * np.array([cover]), np.ones((1, 5), dtype=bool))[0] / 100
        sampled = np.mean([sub_columns(cover) for _ in range(3)])
        assert formula == pytest.approx(sampled, abs=0.05), cover


def test_neighbours_overlap_fully_and_levels_apart_at_random() -> None:
    cover = np.array([[50.0, 50.0, 0.0, 0.0], [50.0, 0.0, 50.0, 0.0], [100.0, 0.0, 0.0, 0.0]])
    assert overlapped(cover, cover >= 0).tolist() == pytest.approx([50.0, 75.0, 100.0], abs=1e-4)


START = datetime(2026, 10, 9, 18, tzinfo=UTC)
SOURCE = Source("open-meteo", "Open-Meteo", "icon", "icon_seamless", "credit", "https://example.test")


def forecast(elevation_m: float | None) -> Forecast:
    hours = Hours.of(
        HourlyWeather(
            START + k * timedelta(hours=1), START + (k + 1) * timedelta(hours=1), 100.0, 100.0, 0.0, 0.0
        )
        for k in range(2)
    )
    place = Place(46.5, 8.0, elevation_m)
    return Forecast(SOURCE, 46.5, 8.0, None, LayerScheme.OPEN_METEO, hours, place=place)


LEVELS = CloudLevels(HPA, tuple((each, None) for each in DECK), tuple((each, each) for each in STANDARD_M))


def test_hours_of_a_forecast_know_the_cloud_above_and_below() -> None:
    known = with_levels(forecast(1850.0), LEVELS)
    assert [hour.cloud_below_pct for hour in known.hours] == [100.0, None]
    found = above_site(known)
    assert found is not None
    assert found[0].total[0] == 0.0
    assert np.isnan(found[0].total[1])
    assert [hour.cloud_total_pct for hour in known.hours] == [100.0, 100.0]


def test_without_levels_or_a_height_nothing_is_said() -> None:
    assert above_site(forecast(1850.0)) is None
    assert above_site(with_levels(forecast(None), LEVELS)) is None
