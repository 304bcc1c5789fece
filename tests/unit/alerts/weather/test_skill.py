"""Cloud to chance: the constants are the real pairs' own, and the method holds on places it wasn't fitted
on."""

from __future__ import annotations

import re
from statistics import fmean

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.weather import skill
from alerts.weather.skill import (
    CLEAR_SHARE,
    chance_of,
    effective_voices,
    evidence,
    log_odds,
    pooled_evidence,
    usual_log_odds,
)
from tests.unit.alerts.judging.values import UNHURRIED, chance_by
from tests.unit.alerts.weather import fit_skill

LEADS = st.floats(0, 20)
CLOUDS = st.floats(0, 100)


def test_the_constants_are_the_fit_s() -> None:
    """None of them can be moved by a fiftieth and fit the pairs better in the third digit."""
    c = fit_skill.cases()
    found = fit_skill.constants()

    def loss(values: np.ndarray) -> float:
        sets = zip((*fit_skill.SETS, *fit_skill.FOURS), fit_skill.WEIGHTS, strict=True)
        return fmean(
            [
                weight
                * float(np.mean(c.weight * fit_skill.log_loss(fit_skill.pooled(values, c, days), c.came)))
                for days, weight in sets
            ]
        )

    best = loss(found)
    for at in range(3, len(found)):  # the first three are fitted by themselves, without forecasts
        for by in (0.98, 1.02):
            moved = found.copy()
            moved[at] *= by
            assert loss(moved) > best - 1e-5, fit_skill.CONSTANTS[at]


def test_the_errors_written_beside_the_constants_are_those_of_places_left_out() -> None:
    text = " ".join((skill.__doc__ or "").split())
    for name, error in zip(fit_skill.CONSTANTS, fit_skill.uncertainty(), strict=True):
        found = re.search(rf"\b{name} (\d*\.\d+)", text)
        assert found is not None, name
        assert float(found[1]) == pytest.approx(error, rel=0.1)


def test_what_is_usual_is_how_often_windows_held_the_event() -> None:
    c = fit_skill.cases()
    for window, shortest in ((1, 1), (2, 1), (3, 1), (3, 2), (3, 3), (6, 1), (6, 2), (6, 3)):
        held = (c.window_h == window) & (c.shortest_h == shortest)
        came = np.average(c.came[held], weights=c.weight[held])
        assert chance_of(usual_log_odds(window, shortest)) == pytest.approx(came, abs=0.04)
    by_night = [np.mean(night.analysis <= skill.CLEAR_LIMIT_PCT) for night in fit_skill.nights()]
    assert pytest.approx(CLEAR_SHARE, abs=0.005) == np.mean(by_night)


@pytest.fixture(scope="module")
def stated() -> dict[tuple[int, ...], np.ndarray]:
    """By the runs of four successive days, each place by what was fitted on the others."""
    return {days: fit_skill.own_climate(days) for days in fit_skill.FOURS[:3]}


def test_what_is_called_likely_comes_as_often_on_places_left_out(
    stated: dict[tuple[int, ...], np.ndarray],
) -> None:
    """60 to 80 % within 5 points over all leads, and every bin within what honest chances would show."""
    c = fit_skill.cases()
    told = np.concatenate(list(stated.values()))
    came, weight = (np.tile(each, len(stated)) for each in (c.came, c.weight))
    held = (told >= 0.6) & (told < 0.8)
    share = np.average(came[held], weights=weight[held])
    assert np.average(told[held], weights=weight[held]) == pytest.approx(share, abs=0.05)
    for chances in stated.values():
        for _, _, _, came, lower, upper in fit_skill.bins(chances):
            assert lower - 0.01 <= came <= upper + 0.01


def test_it_beats_the_best_single_run_climatology_and_the_way_before_on_places_left_out(
    stated: dict[tuple[int, ...], np.ndarray],
) -> None:
    for days, chances in stated.items():
        for way in (fit_skill.way_climatology, fit_skill.way_before, fit_skill.way_one_run):
            other = fit_skill.out_of_place(way, days)
            assert fit_skill.brier(chances) < fit_skill.brier(other) + 1e-9
            assert fit_skill.log_score(chances) < fit_skill.log_score(other)


CHANCES = {
    "cloudless on the day": ([0.0], 0.0, 0.935),
    "a tenth of cloud": ([10.0], 0.0, 0.806),
    "at the limit": ([30.0], 0.0, 0.568),
    "overcast": ([100.0], 0.0, 0.023),
    "cloudless a week ahead": ([0.0], 7.0, 0.787),
    "cloudless a month ahead": ([0.0], 30.0, 0.600),
    "fifty cloudless members": ([0.0] * 50, 0.0, 0.955),
    "half of them": ([0.0] * 25 + [100.0] * 25, 0.0, 0.334),
}
"""In a window of four hours for one hour; by hand from the formulas."""


@pytest.mark.parametrize(("clouds", "lead_days", "chance"), CHANCES.values(), ids=CHANCES.keys())
def test_what_one_source_says(clouds: list[float], lead_days: float, chance: float) -> None:
    assert chance_by(*clouds, lead_days=lead_days) == pytest.approx(chance, abs=0.001)


def test_far_ahead_only_what_is_usual_is_left() -> None:
    assert chance_by(0, lead_days=200) == pytest.approx(float(chance_of(usual_log_odds(4, 1))), abs=1e-6)


def test_a_place_s_own_climate_counts_wholly_where_forecasts_know_nothing_and_less_beside_them() -> None:
    own = log_odds(0.7) - log_odds(CLEAR_SHARE)
    assert usual_log_odds(4, 1, 0.7) - usual_log_odds(4, 1) == pytest.approx(own)
    fresh = evidence(20, 0, 4, 1, 0.7) - evidence(20, 0, 4, 1)
    assert fresh == pytest.approx(-skill.PLACE_KNOWN * own)
    assert evidence(20, 200, 4, 1, 0.7) == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("days", [*((day,) for day in (0, 1, 3, 5, 7)), *fit_skill.FOURS])
def test_the_place_s_own_climate_helps_with_every_set_of_runs(days: tuple[int, ...]) -> None:
    """Places left out in turn; most where one run looks far ahead."""
    own = fit_skill.log_score(fit_skill.own_climate(days))
    none = fit_skill.log_score(fit_skill.out_of_place(fit_skill.way_log_odds, days))
    assert own < none - (0.01 if len(days) == 1 else 0.0)


@UNHURRIED
@given(CLOUDS, CLOUDS, LEADS, st.floats(0.1, 14), st.floats(0, 6))
def test_more_cloud_never_raises_the_chance(
    left: float, right: float, lead_days: float, window_h: float, shortest_h: float
) -> None:
    thin, thick = sorted((left, right))
    assert evidence(thin, lead_days, window_h, shortest_h) >= evidence(thick, lead_days, window_h, shortest_h)


@UNHURRIED
@given(st.floats(0, 6), st.floats(1, 14), st.floats(1, 14))
def test_a_longer_window_is_usually_clear_more_often_and_a_longer_event_less(
    shortest_h: float, left: float, right: float
) -> None:
    less, more = sorted((left, right))
    assert usual_log_odds(less, shortest_h) <= usual_log_odds(more, shortest_h)
    assert usual_log_odds(14, less) >= usual_log_odds(14, more)


@UNHURRIED
@given(st.lists(st.tuples(CLOUDS, st.integers(1, 60)), min_size=1, max_size=9), LEADS)
def test_nothing_is_ever_certain(sources: list[tuple[float, int]], lead_days: float) -> None:
    added = [float(evidence(cloud, lead_days, 6, 1)) for cloud, _ in sources]
    voices = effective_voices([members for _, members in sources])
    assert 0.001 < chance_of(usual_log_odds(6, 1) + pooled_evidence(added, voices)) < 0.999


def test_dependent_voices_are_worth_less_than_their_number() -> None:
    """n / (1 + (n - 1) r): one is one, and however many are no more than 1 / r."""
    assert effective_voices(1) == 1
    assert effective_voices(4) == pytest.approx(4 / (1 + 3 * skill.DEPENDENCE))
    assert effective_voices(10**9) == pytest.approx(1 / skill.DEPENDENCE)


def test_many_windows_go_the_same_way_as_one() -> None:
    clouds = np.linspace(0, 100, 24).reshape(4, 6)
    many = pooled_evidence(evidence(clouds, 1.5, 5, 2), np.ones(6))
    one = [float(pooled_evidence([float(evidence(x, 1.5, 5, 2)) for x in row], np.ones(6))) for row in clouds]
    assert many == pytest.approx(one)
