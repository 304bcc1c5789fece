"""Cloud to chance: the figures are the measured data's own, and chance falls with cloud and lead."""

from __future__ import annotations

import csv
import gzip
from functools import cache
from pathlib import Path
from statistics import fmean

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.weather import skill
from alerts.weather.skill import (
    BASE_RATE,
    CLEAR_LIMIT_PCT,
    KEPT_BY_LEAD_DAY,
    RATES_BY_LEAD_DAY,
    chance_of_forecast,
    chance_of_members,
)

from .values import UNHURRIED

DATA = Path(__file__).parents[2] / "data" / "judging" / "cloud-forecast-leads-nights-2024-04.csv.gz"
MEASURED_DAYS = range(8)


@cache
def measured() -> list[dict[str, str]]:
    with gzip.open(DATA, "rt") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def forecasts(day: int) -> list[float]:
    return [float(row[f"fc_day{day}"]) for row in measured()]


def came_clear() -> list[bool]:
    return [float(row["analysis"]) <= CLEAR_LIMIT_PCT for row in measured()]


def test_the_base_rate_is_the_measured_one() -> None:
    assert fmean(came_clear()) == pytest.approx(BASE_RATE, abs=0.005)


@pytest.mark.parametrize("day", MEASURED_DAYS)
def test_the_rates_are_the_measured_ones(day: int) -> None:
    came = list(zip(forecasts(day), came_clear(), strict=True))
    clear = fmean(clear for cloud, clear in came if cloud <= CLEAR_LIMIT_PCT)
    cloudy = fmean(clear for cloud, clear in came if cloud > CLEAR_LIMIT_PCT)
    assert (clear, cloudy) == pytest.approx(RATES_BY_LEAD_DAY[day][1:], abs=0.0051)


def test_the_width_fits_the_measured_data_best(monkeypatch: pytest.MonkeyPatch) -> None:
    errors = {}
    for width in range(5, 13):
        monkeypatch.setattr(skill, "WIDTH_PCT", width)
        errors[width] = fmean(
            (chance_of_forecast(cloud, day) - clear) ** 2
            for day in MEASURED_DAYS
            for cloud, clear in zip(forecasts(day), came_clear(), strict=True)
        )
    assert min(errors, key=errors.__getitem__) == 8


@pytest.mark.parametrize("first", range(5))
def test_the_kept_weight_is_the_measured_slope(first: int) -> None:
    """Four runs in a row stand for four members, as no members were archived."""
    runs = [forecasts(day) for day in range(first, first + 4)]
    shares = [
        (sum(cloud <= CLEAR_LIMIT_PCT for cloud in four) + 0.5) / 5 - BASE_RATE
        for four in zip(*runs, strict=True)
    ]
    came = [clear - BASE_RATE for clear in came_clear()]
    slope = sum(x * y for x, y in zip(shares, came, strict=True)) / sum(x * x for x in shares)
    assert (first + 1.5, slope) == pytest.approx(KEPT_BY_LEAD_DAY[first], abs=0.0051)


def test_counting_beats_one_run_and_both_beat_the_base_rate() -> None:
    """Brier scores for tomorrow's night; the members' stand-ins are the runs of days 1 to 4."""
    came = came_clear()
    counts = [
        sum(cloud <= CLEAR_LIMIT_PCT for cloud in four)
        for four in zip(*(forecasts(day) for day in range(1, 5)), strict=True)
    ]
    by_count = fmean((chance_of_members(k, 4, 2.5) - c) ** 2 for k, c in zip(counts, came, strict=True))
    by_run = fmean(
        (chance_of_forecast(cloud, 2) - c) ** 2 for cloud, c in zip(forecasts(2), came, strict=True)
    )
    yes_or_no = fmean(
        ((cloud <= CLEAR_LIMIT_PCT) - c) ** 2 for cloud, c in zip(forecasts(2), came, strict=True)
    )
    by_base = fmean((BASE_RATE - c) ** 2 for c in came)
    assert by_count < by_run < by_base
    assert by_run < yes_or_no


@pytest.mark.parametrize(
    ("cloud_pct", "lead_days", "chance"),
    [
        (0.0, 0.0, 0.765),
        (30.0, 0.0, 0.455),
        (100.0, 0.0, 0.130),
        (0.0, 0.5, 0.746),
        (0.0, 7.0, 0.594),
        (100.0, 7.0, 0.330),
        (0.0, 15.0, 0.44),
        (0.0, 40.0, 0.44),
    ],
    ids=lambda value: f"{value:g}",
)
def test_a_single_run_lies_between_the_rates_of_its_lead(
    cloud_pct: float, lead_days: float, chance: float
) -> None:
    assert chance_of_forecast(cloud_pct, lead_days) == pytest.approx(chance, abs=0.001)


@pytest.mark.parametrize(
    ("happens", "members", "lead_days", "chance"),
    [
        (51, 51, 0.0, 0.44 + 0.94 * (51.5 / 52 - 0.44)),
        (0, 51, 1.5, 0.44 + 0.94 * (0.5 / 52 - 0.44)),
        (3, 4, 2.5, 0.44 + 0.90 * (0.7 - 0.44)),
        (20, 20, 15.0, 0.44),
    ],
    ids=["all today", "none tomorrow", "three of four", "two weeks ahead"],
)
def test_members_are_counted_and_drawn_toward_the_base_rate(
    happens: int, members: int, lead_days: float, chance: float
) -> None:
    assert chance_of_members(happens, members, lead_days) == pytest.approx(chance)


def test_another_base_rate_is_what_nothing_known_falls_back_to() -> None:
    assert chance_of_members(3, 20, 15.0, base_rate=0.7) == pytest.approx(0.7)


@UNHURRIED
@given(st.floats(0, 100), st.floats(0, 100), st.floats(0, 20))
def test_more_cloud_never_raises_the_chance(left: float, right: float, lead_days: float) -> None:
    thin, thick = sorted((left, right))
    assert chance_of_forecast(thin, lead_days) >= chance_of_forecast(thick, lead_days)


@UNHURRIED
@given(st.integers(1, 60), st.floats(0, 30))
def test_no_count_is_ever_certain(members: int, lead_days: float) -> None:
    assert chance_of_members(0, members, lead_days) > 0
    assert chance_of_members(members, members, lead_days) < 1
