"""Each quality gate with what opens and what closes it."""

import random
from dataclasses import replace
from datetime import timedelta

import pytest

from alerts.sites.great_circle import distance_km
from alerts.weather.forecast import Forecast, LayerScheme, Place, Source
from alerts.weather.freshness import why_unusable
from alerts.weather.hours import HourlyWeather, Hours
from alerts.weather.quality_gates import (
    QualityCheck,
    check_coarse_scale,
    check_distance,
    check_high_layer,
    check_lengths,
    check_ranges,
    check_rising,
    check_scale,
    check_units,
    pass_gates,
)
from tests.unit.service.feeds.feed_files import utc

HOUR = timedelta(hours=1)
START = utc("2026-10-09T18:00")
SOURCE = Source("open-meteo", "Open-Meteo", "icon", "icon_seamless", "credit", "https://example.org/")


def forecast(totals, *, members=(), **columns) -> Forecast:
    """Hours with these totals, and other columns of the same length."""
    rows = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    rows = rows or [{}] * len(totals)
    hours = Hours.of(
        HourlyWeather(START + i * HOUR, START + (i + 1) * HOUR, cloud_total_pct=total, **row)
        for i, (total, row) in enumerate(zip(totals, rows, strict=True))
    )
    return Forecast(SOURCE, 47.0, 11.5, 1500.0, LayerScheme.OPEN_METEO, hours, tuple(members))


SCALE = [
    pytest.param([0] * 200, (), None, id="a week without a cloud"),
    pytest.param([0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0], (), None, id="a clear night with a wisp"),
    pytest.param([0, 0, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0], (), None, id="a wisp for two hours"),
    pytest.param([1, 1, 1, 0, 0, 0, 0, 0], (), None, id="too short to tell"),
    pytest.param([1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 2], (), None, id="a value above 1"),
    pytest.param([None] * 50, (), None, id="nothing known"),
    pytest.param([1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0], (), QualityCheck.SCALE, id="overcast as 1"),
    pytest.param(
        [1.0, 1.0, 1.0, 0.37, 0.2, 0, 0, 0, 0, 0, 0, 0], (), QualityCheck.SCALE, id="fractions of 1"
    ),
    pytest.param(
        [0.2, 0.35, 0.9, 0.95] * 6, (), QualityCheck.SCALE, id="row_167_fractions_that_never_stay_at_1"
    ),
    pytest.param([0.8, 0, 0, 0.8] * 6, (), None, id="a clear day in steps of 0.8"),
    pytest.param(
        [0, 0.4, 0.8, 0.2] * 18, (), QualityCheck.SCALE, id="never overcast for three days, in fractions"
    ),
    pytest.param([0] * 6, ([0, 0, 1, 1, 1, 0], [0] * 6), QualityCheck.SCALE, id="a member stays at 1"),
    pytest.param([0] * 6, ([0, 0, 0, 1, 0, 0], [0] * 6), None, id="members with a wisp"),
    pytest.param([0] * 6, ([0, 0, 100, 1, 1, 1], [0] * 6), None, id="a member in percent"),
]


@pytest.mark.parametrize(("totals", "members", "gate"), SCALE)
def test_cloud_as_a_share_of_one_is_told_from_a_clear_sky(totals, members, gate):
    rejected = check_scale(forecast(totals, members=members))
    assert (rejected and rejected.gate) == gate


CLEAR = [0] * 30 + [3, 1, 0, 2, 8, 5, 0, 0, 1, 0] + [0] * 40
COARSE = [
    pytest.param([0] * 200, None, id="a week without a cloud"),
    pytest.param(CLEAR, None, id="a clear spell with a wisp of 8 percent"),
    pytest.param([0] * 40 + [8, 8, 8] + [0] * 40, None, id="a wisp of 8 percent for three hours"),
    pytest.param([0, 0, 2, 4, 8, 8, 8, 12] * 9, None, id="a value above the scale"),
    pytest.param([0, 12.5, 25, 37.5, 50, 62.5, 75, 87.5, 100] * 8, None, id="eighths in percent"),
    pytest.param([8.0, 7.6, 8.0, 8.0, 8.0, 3.1] * 12, None, id="with decimals"),
    pytest.param([8, 8, 8], None, id="too short to tell"),
    pytest.param([8, 8, 8, 8, 7, 6, 3, 0, 0, 1, 5, 8] * 6, QualityCheck.SCALE, id="row_159_eighths"),
    pytest.param([10, 10, 10, 9, 7, 6, 3, 0, 0, 1, 5, 8] * 6, QualityCheck.SCALE, id="row_159_tenths"),
    pytest.param([5, 6, 4, 3, 3, 7] * 4, QualityCheck.SCALE, id="row_159_broken_all_day_in_eighths"),
    pytest.param([0, 0, 1, 3, 2, 0, 7, 0] * 4, None, id="a day of wisps"),
    pytest.param([8] * 24, QualityCheck.SCALE, id="row_159_overcast_all_day_in_eighths"),
]


@pytest.mark.parametrize(("totals", "gate"), COARSE)
def test_cloud_in_eighths_or_tenths_is_told_from_a_clear_sky(totals, gate):
    for members in ((), (totals, totals)):
        rejected = check_coarse_scale(forecast(totals, members=members))
        assert (rejected and rejected.gate) == gate


@pytest.mark.parametrize(
    ("column", "values", "closed"),
    [
        ("cloud_low_pct", [90] * 12 + [0] * 12, True),
        ("cloud_low_pct", [5] * 24, False),
        ("precipitation_mm", [0.4] * 5 + [0] * 19, True),
        ("precipitation_mm", [0.4] * 2 + [0.1] * 22, False),
    ],
)
def test_row_159_layers_or_rain_give_a_coarse_scale_away(column, values, closed):
    totals = [0, 1, 7, 3, 0, 2] * 4
    assert (check_coarse_scale(forecast(totals, **{column: values})) is not None) is closed


@pytest.mark.parametrize("days", [1, 3, 6])
def test_clear_spells_in_percent_are_read(days):
    """A thousand invented spells that never rise above 8 or 10 %: at most one in a hundred is refused."""
    dice = random.Random(days)
    refused = 0
    for _ in range(1000):
        top = dice.choice((8, 10))
        totals = [
            min(top, int(dice.expovariate(0.6))) if dice.random() < 0.4 else 0 for _ in range(24 * days)
        ]
        refused += check_coarse_scale(forecast(totals)) is not None
    assert refused <= 10


def test_a_layer_that_says_otherwise_gives_a_slip_away():
    layers = {"cloud_high_pct": [0] * 6 + [80] * 6}
    assert check_scale(forecast([0] * 6 + [1, 0] * 3, **layers)).gate is QualityCheck.SCALE
    assert check_scale(forecast([0] * 6 + [1, 0] * 3, cloud_high_pct=[0] * 12)) is None


LAYERS = [
    pytest.param([10] * 6, [60] * 6, QualityCheck.LAYERS, id="cut off at 10 under a thick total"),
    pytest.param([1, 4, 9, 10, 2, 3], [20, 50, 90, 100, 30, 35], QualityCheck.LAYERS, id="scaled to a tenth"),
    pytest.param([0] * 6, [60] * 6, None, id="none at all"),
    pytest.param([10] * 6, [20] * 6, None, id="within the margin"),
    pytest.param([10, 10, 10, 10, 10, 11], [60] * 6, None, id="rises above 10"),
    pytest.param([10] * 6, [60, 60, 10, 10, 10, 10], None, id="only two hours differ"),
    pytest.param([None] * 6, [60] * 6, None, id="no layers"),
    pytest.param([10] * 6, [None] * 6, None, id="no total"),
]


@pytest.mark.parametrize(("high", "totals", "gate"), LAYERS)
def test_high_cloud_cut_off_at_ten_percent_is_noticed(high, totals, gate):
    rejected = check_high_layer(
        forecast(totals, cloud_low_pct=[0] * 6, cloud_mid_pct=[0] * 6, cloud_high_pct=high)
    )
    assert (rejected and rejected.gate) == gate


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("cloud_low_pct", 100.5),
        ("cloud_high_pct", -0.1),
        ("fog_pct", 101),
        ("visibility_m", -1),
        ("temperature_c", 61),
        ("temperature_c", 285),
        ("dew_point_c", 46),
        ("relative_humidity_pct", 106),
        ("wind_ms", 111),
        ("gust_ms", 121),
        ("precipitation_mm", -0.1),
        ("precipitation_probability_pct", 101),
        ("thunder_probability_pct", 200),
        ("temperature_c", float("nan")),
        ("wind_ms", float("inf")),
        ("cloud_mid_pct", float("-inf")),
    ],
)
def test_row_25_a_value_nobody_believes_is_named_with_its_hour(name, value):
    rejected = check_ranges(forecast([10, 20], **{name: [None, value]}))
    assert rejected.gate is QualityCheck.RANGE
    assert name in str(rejected.what)
    assert "2026-10-09T19:00Z" in str(rejected.what)


@pytest.mark.parametrize(
    ("total", "closed"), [(0, False), (100, False), (100.1, True), (137, True), (-1, True), (None, False)]
)
def test_total_cloud_lies_between_0_and_100(total, closed):
    assert (check_ranges(forecast([total])) is not None) is closed
    assert (check_ranges(forecast([0], members=[[total]])) is not None) is closed


@pytest.mark.parametrize(
    ("from_", "to", "km"),
    [
        # degrees of the meridian and the parallel: pi/180 of the mean radius
        pytest.param((0, 0), (1, 0), 111.195, id="one degree of latitude"),
        pytest.param((60, 10), (60, 11), 55.597, id="one degree of longitude at 60 north"),
        pytest.param((0, 179.9), (0, -179.9), 22.239, id="over the date line"),
        pytest.param((90, 0), (90, 120), 0, id="at the pole"),
        pytest.param((40, 20), (-40, -160), 20015.1, id="the other side of the Earth"),
    ],
)
def test_distances_follow_the_great_circle(from_, to, km):
    assert distance_km(*from_, *to) == pytest.approx(km, abs=0.05)


def test_row_29_a_cell_out_of_reach_is_rejected_with_the_distance():
    assert check_distance(forecast([0]), Place(47.1, 11.5), 20) is None
    rejected = check_distance(forecast([0]), Place(47.3, 11.5), 20)
    assert (rejected.gate, "33 km" in str(rejected.what)) == (QualityCheck.PLACE, True)


def test_row_26_units_must_be_those_expected():
    expected = {"wind": ("m/s", "km/h")}
    assert check_units({"wind": "km/h"}, expected) is None
    assert (
        str(check_units({"wind": "furlongs"}, expected).what)
        == "wind comes in 'furlongs', not in km/h or m/s."
    )
    assert check_units({}, expected).gate is QualityCheck.UNITS


def test_row_27_columns_and_times_must_match():
    assert str(check_lengths({"a": [1, 2], "b": [1]}, 2).what) == "b has 1 values for 2 times."
    assert check_lengths({"a": [1, 2]}, 2) is None
    assert check_rising([START, START + HOUR]) is None
    assert check_rising([START, START]).gate is QualityCheck.TIMES
    assert check_rising([START + HOUR, START]).gate is QualityCheck.TIMES


AGES = [
    pytest.param({"issued_at": 5}, False, id="young run"),
    pytest.param({"issued_at": 13}, True, id="row_30_old_run"),
    pytest.param({"issued_at": 13, "fetched_at": 0}, True, id="row_30_old_run_fetched_just_now"),
    pytest.param({"unchanged_since": 13, "fetched_at": 0}, True, id="row_30_the_same_answer_for_13_hours"),
    pytest.param({"unchanged_since": 2, "fetched_at": 0}, False, id="new values two hours ago"),
    pytest.param({"fetched_at": 13}, True, id="an old answer of unknown run"),
    pytest.param({"issued_at": 1, "unchanged_since": 13}, False, id="a named run wins"),
    pytest.param({}, False, id="a recorded answer without any time"),
]


@pytest.mark.parametrize(("ages_h", "is_stale"), AGES)
def test_an_old_run_is_stale_whatever_the_envelope_says(ages_h, is_stale):
    source = replace(SOURCE, **{name: START - age * HOUR for name, age in ages_h.items()})
    assert (why_unusable(source, START, is_night_of=False) is not None) is is_stale


def test_a_forecast_that_passes_comes_back_as_it_was():
    good = replace(forecast([5, 30]), place=Place(47, 11.5))
    assert pass_gates(good, reach_km=20) is good


def test_the_first_gate_that_closes_is_told():
    bad = replace(forecast([5, 130]), place=Place(0, 0))
    assert pass_gates(bad, reach_km=20).gate is QualityCheck.RANGE
    assert pass_gates(replace(bad, hours=bad.hours[:1]), reach_km=20).gate is QualityCheck.PLACE
