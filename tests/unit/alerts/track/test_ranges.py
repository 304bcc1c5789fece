"""Ranges of shares, shrinkage, limits of chance and effective nights, against published tables and scipy."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.special import betaln
from scipy.stats import binom, binomtest

from alerts.common.errors import BadInput
from alerts.track.calibration.score import (
    STRENGTH_NIGHTS,
    Z90,
    consistency_limits,
    effective_nights,
    shrunk_share,
    wilson_range,
)
from tests.unit.alerts.track.files import read_json

CHECKS: dict[str, Any] = read_json("checks.json")
WILSON = CHECKS["wilson_interval"]
SHRUNK = CHECKS["beta_binomial_shrinkage"]
LIMITS = CHECKS["consistency_limits"]["rows"]
Z95 = 1.959963984540054
"""Two-sided normal quantile for 95 %."""


@pytest.mark.parametrize("row", WILSON["rows"], ids=lambda row: f"{row['k']} of {row['n']}")
def test_a_range_of_a_share_is_the_published_one(row: dict[str, Any]) -> None:
    assert wilson_range(row["k"], row["n"], Z95) == pytest.approx(row["ci95"], abs=5.1e-5)
    if "ci90" in row:
        assert wilson_range(row["k"], row["n"], Z90) == pytest.approx(row["ci90"], abs=5.1e-5)


@settings(deadline=None)
@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_a_range_of_a_share_agrees_with_scipy(case: tuple[int, int]) -> None:
    theirs = binomtest(*case).proportion_ci(0.90, method="wilson")
    assert wilson_range(*case) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@pytest.mark.parametrize(("level", "z"), [("95", Z95), ("90", Z90)])
def test_the_nights_needed_for_a_narrow_range(level: str, z: float) -> None:
    """As near to 70 % as whole nights allow: how many until the range is so narrow, and stays so."""
    for half_width, expected in WILSON["smallest_n_for_half_width_at_share_0.7"][level].items():
        wide = [n for n in range(1, 400) if half(round(0.7 * n), n, z) > float(half_width)]
        needed = max(wide) + 1
        assert needed == expected


def half(clear: float, cases: float, z: float) -> float:
    low, high = wilson_range(clear, cases, z)
    return (high - low) / 2


@pytest.mark.parametrize(("clear", "cases"), [(1, 0), (-1, 5), (6, 5)])
def test_an_impossible_share_is_refused(clear: float, cases: float) -> None:
    with pytest.raises(BadInput):
        wilson_range(clear, cases)


@pytest.mark.parametrize("row", SHRUNK["rows"], ids=lambda row: f"{row['k']} of {row['n']}")
def test_few_nights_are_drawn_toward_the_rate_of_all(row: dict[str, Any]) -> None:
    """Six of six is 69 % and not 100 %, where all sites together have 60 %."""
    assert shrunk_share(row["k"], row["n"], 0.6) == pytest.approx(row["posterior"], abs=5e-5)


def test_a_textbook_posterior_is_reproduced() -> None:
    """Rat tumours, Gelman et al., Bayesian Data Analysis 5.1: Beta(1.4, 8.6), 4 of 14."""
    assert shrunk_share(4, 14, 0.14, 10) == pytest.approx(SHRUNK["rat_tumour"]["posterior_mean"])


def test_twenty_nights_is_what_real_sites_differ_by() -> None:
    """The likeliest strength over 16 stations' days with at most 2 oktas at 9 h, their days counted for
    what they are worth; mean rate fixed."""
    stations = read_json("okta-9h-15h-counts.json")["stations"].values()
    clear, days = np.array(
        [(each["clear9h_le2"], each["days"] * each["share_with_9h_okta"]) for each in stations]
    ).T
    worth = (1 - 0.22) / (1 + 0.22)
    clear, days = clear * worth, days * worth
    rate = float(np.mean(clear / days))

    def unlikeliness(log_strength: float) -> float:
        above, below = np.exp(log_strength) * rate, np.exp(log_strength) * (1 - rate)
        return -float(np.sum(betaln(above + clear, below + days - clear) - betaln(above, below)))

    best = np.exp(minimize_scalar(unlikeliness, bounds=(0, 8), method="bounded").x)
    assert best == pytest.approx(STRENGTH_NIGHTS, abs=4)


@pytest.mark.parametrize("chance", ["0.5", "0.7", "0.9"])
@pytest.mark.parametrize("row", LIMITS, ids=lambda row: f"n={row['n']}")
def test_a_reliable_forecast_lies_between_these(row: dict[str, Any], chance: str) -> None:
    assert consistency_limits(row["n"], float(chance)) == pytest.approx(row[chance])


@settings(deadline=None)
@given(st.integers(1, 3000), st.floats(0.01, 0.99))
def test_the_limits_agree_with_scipy(cases: int, chance: float) -> None:
    theirs = binom(cases, chance).ppf([0.05, 0.95]) / cases
    assert consistency_limits(cases, chance) == pytest.approx(tuple(theirs), abs=1.01 / cases)
    assert sum(consistency_limits(cases, chance)) == pytest.approx(sum(theirs), abs=1.01 / cases)


def test_a_certainty_has_no_room() -> None:
    assert consistency_limits(40, 0.0) == (0.0, 0.0)
    assert consistency_limits(40, 1.0) == (1.0, 1.0)


@pytest.mark.parametrize(
    ("sites", "nights", "worth"),
    [
        ([1] * 400, range(400), 0.64 * 400),
        ([1] * 40, range(0, 400, 10), 40.0),
        ([1, 1], [5, 5], 1.0),
        ([1, 1], [5, 6], 2 / 1.22),
        ([1, 2], [5, 5], 2.0),
        ([7], [5], 1.0),
        ([], [], 0.0),
        ([1] * 6, [1, 1, 1, 9, 9, 9], 2.0),
    ],
    ids=[
        "in a row",
        "apart",
        "the same",
        "neighbours",
        "two sites",
        "one",
        "none",
        "two nights, three times",
    ],
)
def test_neighbouring_nights_count_for_less(sites: list[int], nights: Any, worth: float) -> None:
    assert effective_nights(sites, list(nights)) == pytest.approx(worth, rel=0.005)


def test_effective_nights_agree_with_the_full_sum() -> None:
    rng = np.random.default_rng(5)
    sites, nights = rng.integers(0, 3, 60), rng.integers(0, 40, 60)
    apart = np.abs(nights[:, None] - nights[None, :])
    shared = np.where(sites[:, None] == sites[None, :], 0.22**apart, 0.0).sum()
    assert effective_nights(sites, nights) == pytest.approx(60**2 / shared, rel=1e-4)
