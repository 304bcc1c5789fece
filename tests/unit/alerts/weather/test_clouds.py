"""Cloud as it bears on the frame: slanted, thin, below the site, along the line of sight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import isnan, nan
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.span import Span
from alerts.weather.clouds import (
    cover_as_told,
    joint_cover_pct,
    low_lies_below,
    made_up_pct,
    seen_clouds,
)
from alerts.weather.forecast import Forecast, LayerScheme, Place
from alerts.weather.hours import HourlyWeather, Hours
from alerts.weather.skill import slanted_pct
from tests.unit.alerts.weather.values import UNHURRIED, WINDOW, forecast, hour


class Seen(NamedTuple):
    frame_pct: float
    beside_pct: float
    plan_pct: float


def seen_cloud(
    over: Forecast,
    record: HourlyWeather,
    altitude_deg: float,
    along: Sequence[HourlyWeather] | None = None,
) -> Seen | None:
    """One hour of a forecast as the frame has it; None when it is unknown."""
    there = replace(over, hours=Hours.of([record]))
    aside = None if along is None else Hours.of(along)
    seen = seen_clouds(there, there.hours.cut(Span(record.starts, record.ends)), altitude_deg, aside)
    if not len(seen.parts):
        return None
    return Seen(*(float(each[0]) for each in (seen.frame_pct, seen.beside_pct, seen.cover.plan_pct)))


OPEN_METEO, NONE = LayerScheme.OPEN_METEO, LayerScheme.NONE
PERCENT = st.floats(0, 100)
ALTITUDE = st.floats(8, 90)

SLANTED = {
    "a third of the sky at 20 degrees": (30.0, 20.0, 45.4),
    "the same at 30 degrees": (30.0, 30.0, 37.6),
    "half at 15 degrees": (50.0, 15.0, 77.0),
    "straight up": (30.0, 90.0, 30.0),
    "clear stays clear": (0.0, 10.0, 0.0),
    "overcast stays overcast": (100.0, 10.0, 100.0),
}
"""By hand: 1 - (1 - N)^sqrt(1 + (0.5 / tan a)^2)."""


@pytest.mark.parametrize(("cover", "altitude_deg", "hidden"), SLANTED.values(), ids=SLANTED.keys())
def test_broken_cloud_covers_more_of_a_slanted_view(cover: float, altitude_deg: float, hidden: float) -> None:
    assert slanted_pct(cover, altitude_deg) == pytest.approx(hidden, abs=0.1)


@UNHURRIED
@given(PERCENT, PERCENT, ALTITUDE, ALTITUDE)
def test_more_cloud_and_a_lower_view_never_hide_less(
    cover: float, more: float, altitude_deg: float, lower_deg: float
) -> None:
    less, most = sorted((cover, more))
    low, high = sorted((altitude_deg, lower_deg))
    assert slanted_pct(less, high) <= slanted_pct(most, high) + 1e-9
    assert slanted_pct(less, high) <= slanted_pct(less, low) + 1e-9
    assert less - 1e-9 <= slanted_pct(less, high) <= 100.0


FRAMES = {
    "broken low cloud": ({"cloud_low_pct": 30.0}, OPEN_METEO, 30.0, 45.4),
    "thin high cloud alone is flat": ({"cloud_high_pct": 50.0}, OPEN_METEO, 30.0, 30.0),
    "high cloud through the gaps": (
        {"cloud_low_pct": 30.0, "cloud_high_pct": 30.0, "cloud_total_pct": 60.0},
        OPEN_METEO,
        48.0,
        59.4,
    ),
    "a total alone counts as it stands": ({"cloud_total_pct": 30.0}, NONE, 30.0, 30.0),
    "a layer missing": ({"cloud_total_pct": 30.0, "cloud_mid_pct": None}, OPEN_METEO, 30.0, 30.0),
    "overcast below cirrus": (
        {"cloud_low_pct": 100.0, "cloud_high_pct": 100.0, "cloud_total_pct": 100.0},
        OPEN_METEO,
        100.0,
        100.0,
    ),
    "no total": ({"cloud_total_pct": None}, OPEN_METEO, None, None),
}


@pytest.mark.parametrize(("values", "scheme", "plan", "frame"), FRAMES.values(), ids=FRAMES.keys())
def test_both_figures_are_known_the_ground_plan_and_the_frame(
    values: dict[str, Any], scheme: LayerScheme, plan: float | None, frame: float | None
) -> None:
    cover = cover_as_told(Hours.of([hour(**values)]), scheme)
    assert cover.plan_pct[0] == pytest.approx(nan if plan is None else plan, abs=0.1, nan_ok=True)
    found = cover.view_pct(20.0)[0]
    assert found == pytest.approx(nan if frame is None else frame, abs=0.1, nan_ok=True)


@UNHURRIED
@given(PERCENT, PERCENT, PERCENT, PERCENT, ALTITUDE)
def test_the_frame_never_has_less_cloud_than_the_ground_plan_nor_more_than_all(
    low: float, mid: float, high: float, total: float, altitude_deg: float
) -> None:
    record = hour(cloud_low_pct=low, cloud_mid_pct=mid, cloud_high_pct=high, cloud_total_pct=total)
    cover = cover_as_told(Hours.of([record]), OPEN_METEO)
    plan, frame = cover.plan_pct[0], cover.view_pct(altitude_deg)[0]
    assert plan - 1e-6 <= frame <= 100.0 + 1e-9


# Below the site
TEIDE = Place(28.27, -16.64, 3500.0)


def test_a_layer_whose_top_lies_below_the_site_is_no_cloud() -> None:
    high_up = forecast(place=TEIDE)
    record = hour(cloud_low_pct=100.0, cloud_high_pct=20.0, cloud_total_pct=100.0)
    assert low_lies_below(high_up)
    seen = seen_cloud(high_up, record, 20.0)
    assert seen is not None
    assert seen.frame_pct == pytest.approx(12.0)


@pytest.mark.parametrize(
    "place",
    [None, Place(28.27, -16.64), Place(28.27, -16.64, 2900.0)],
    ids=["none", "height unknown", "below"],
)
def test_elsewhere_it_stays_cloud(place: Place | None) -> None:
    record = hour(cloud_low_pct=100.0)
    seen = seen_cloud(forecast(place=place), record, 20.0)
    assert seen is not None
    assert seen.frame_pct == 100.0


def test_an_unknown_layer_above_keeps_the_whole_total() -> None:
    record = hour(cloud_low_pct=100.0, cloud_high_pct=None, cloud_total_pct=100.0)
    seen = seen_cloud(forecast(place=TEIDE), record, 20.0)
    assert seen is not None
    assert seen.frame_pct == 100.0


# Along the line of sight
def test_the_frame_moves_by_what_the_layers_do_over_there() -> None:
    here, there = hour(cloud_low_pct=10.0), hour(cloud_low_pct=10.0, cloud_mid_pct=80.0)
    seen = seen_cloud(forecast(), here, 20.0, [there])
    assert seen is not None
    assert seen.plan_pct == 10.0
    assert seen.beside_pct == pytest.approx(16.4, abs=0.1)
    assert seen.frame_pct == pytest.approx(slanted_pct(82.0, 20.0), abs=0.1)


def test_the_same_sky_all_round_changes_nothing() -> None:
    here = hour(cloud_low_pct=40.0, cloud_mid_pct=30.0, cloud_high_pct=20.0, cloud_total_pct=45.0)
    seen = seen_cloud(forecast(), here, 20.0, [here])
    assert seen is not None
    assert seen.frame_pct == pytest.approx(seen.beside_pct)


def test_an_hour_that_the_line_of_sight_does_not_know_is_unknown() -> None:
    here = hour(cloud_low_pct=10.0)
    assert seen_cloud(forecast(), here, 20.0, []) is None
    assert seen_cloud(forecast(), here, 20.0, [hour(cloud_mid_pct=None)]) is None


def test_a_total_without_layers_is_taken_from_over_there() -> None:
    here, there = hour(cloud_total_pct=10.0), hour(cloud_total_pct=70.0)
    seen = seen_cloud(forecast(layer_scheme=NONE), here, 20.0, [there])
    assert seen is not None
    assert (seen.frame_pct, seen.beside_pct) == (70.0, 10.0)


@UNHURRIED
@given(st.lists(PERCENT, min_size=8, max_size=8), ALTITUDE)
def test_whatever_stands_over_there_the_frame_stays_between_none_and_all(
    cover: list[float], altitude_deg: float
) -> None:
    names = ("cloud_low_pct", "cloud_mid_pct", "cloud_high_pct", "cloud_total_pct")
    here, there = (hour(**dict(zip(names, part, strict=True))) for part in (cover[:4], cover[4:]))
    seen = seen_cloud(forecast(), here, altitude_deg, [there])
    assert seen is not None
    assert 0.0 <= seen.frame_pct <= 100.0


# Totals beside layers
def test_a_total_is_made_up_as_the_place_s_cloud_is() -> None:
    """Half of the run's cloud is cirrus: half of a member's total is, and the rest is slanted as the run's
    is."""
    run = forecast(
        tuple(hour(cloud_low_pct=20.0, cloud_high_pct=20.0, cloud_total_pct=40.0) for _ in range(1))
    )
    seen = seen_clouds(run, run.hours.cut(WINDOW), 20.0)
    frame, beside = made_up_pct([[20.0], [40.0], [80.0]], seen.parts, (seen,), 20.0)
    assert frame == pytest.approx(beside)
    assert frame[1, 0] == pytest.approx(seen.frame_pct[0])
    hidden = slanted_pct(10.0, 20.0)
    assert frame[0, 0] == pytest.approx(hidden + 0.6 * 10.0 * (100 - hidden) / 90)


def test_a_deck_below_the_site_is_none_to_sources_without_layers_either() -> None:
    run = replace(
        forecast(place=TEIDE),
        hours=Hours.of([hour(cloud_low_pct=90.0, cloud_high_pct=10.0, cloud_total_pct=90.0)]),
    )
    seen = seen_clouds(run, run.hours.cut(WINDOW), 20.0)
    frame, _ = made_up_pct([90.0], seen.parts, (seen,), 20.0)
    assert frame[0] == pytest.approx(6.0)


def test_where_nobody_tells_layers_a_total_stands_as_it_is() -> None:
    run = forecast()
    seen = seen_clouds(run, run.hours.cut(WINDOW), 20.0)
    assert made_up_pct([25.0] * 4, seen.parts, (), 20.0)[0] == pytest.approx([25.0] * 4)
    cloudless = (seen,)
    assert made_up_pct([25.0] * 4, seen.parts, cloudless, 20.0)[0] == pytest.approx([25.0] * 4)


def test_layers_over_other_places_hide_what_their_clear_shares_leave() -> None:
    assert joint_cover_pct((50.0, 50.0, 50.0), 90.0) == pytest.approx(100 - 25 * 0.7)
    assert isnan(joint_cover_pct((nan, 0.0, 0.0), 90.0))
