"""Fitted maps against independent fits, and the trial that decides whether they are used."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from scipy.optimize import isotonic_regression, minimize

from alerts.common.errors import BadInput
from alerts.track.calibration.correct import kept_log_odds, recalibrated
from alerts.track.calibration.fit import fit_calibration, fit_lead
from alerts.track.calibration.model import Calibration, Lead, Method
from alerts.track.calibration.pairs import Pairs
from alerts.track.calibration.regression import PULL, fit_logistic, fit_shifts, pool_adjacent_violators
from alerts.track.calibration.score import brier_score, shrunk_share
from tests.unit.alerts.track.files import pairs, read_json, read_rows
from tests.unit.alerts.track.seasons import season

MADE = datetime(2026, 8, 1, 12, tzinfo=UTC)
MAPS: dict[str, Any] = read_json("checks.json")["fitted_maps_niamey_ENS"]


def rain() -> tuple[np.ndarray, np.ndarray]:
    """Raw ensemble shares of rain at Niamey as log odds, kept off 0 and 1 by 1/104, and what came."""
    rows = read_rows("probability-forecasts-niamey-2016.csv")
    said, came = np.array([(float(row["ENS"]), float(row["obs"])) for row in rows]).T
    return kept_log_odds(said, 1 / 104), came


def test_a_real_ensembles_logistic_map_is_the_published_one() -> None:
    odds, came = rain()
    fit = fit_logistic(odds, came, pull=0.0)
    assert (fit.intercept, fit.slope) == pytest.approx(
        (MAPS["logistic_on_logit"]["a"], MAPS["logistic_on_logit"]["b"]), abs=5e-5
    )
    said = 1 / (1 + np.exp(-fit.intercept - fit.slope * odds))
    assert brier_score(said, came) == pytest.approx(MAPS["logistic_on_logit"]["brier_in_sample"], abs=5e-7)


def test_a_pulled_map_is_the_one_that_scipy_finds() -> None:
    odds, came = rain()

    def price(at: np.ndarray) -> float:
        line = at[0] + at[1] * odds
        misfit = np.sum(np.logaddexp(0, line) - came * line)
        return float(0.64 * misfit + PULL / 2 * (at[0] ** 2 + (at[1] - 1) ** 2))

    fit = fit_logistic(odds, came, weight=0.64)
    assert (fit.intercept, fit.slope) == pytest.approx(minimize(price, [0.0, 1.0]).x, abs=1e-5)


def test_maps_help_on_days_left_out_as_published() -> None:
    """Leave one day out: raw .266, climatology .250, isotonic .231, logistic .226."""
    odds, came = rain()
    raw = 1 / (1 + np.exp(-odds))
    logistic, isotonic, rate = [], [], []
    for day in range(len(came)):
        kept = np.arange(len(came)) != day
        fit = fit_logistic(odds[kept], came[kept], pull=0.0)
        logistic.append(1 / (1 + np.exp(-fit.intercept - fit.slope * odds[day])))
        order = np.argsort(raw[kept], kind="stable")
        distinct, first = np.unique(raw[kept][order], return_index=True)
        groups = np.split(came[kept][order], first[1:])
        levels = pool_adjacent_violators([g.mean() for g in groups], [len(g) for g in groups])
        isotonic.append(np.interp(raw[day], distinct, levels))
        rate.append(came[kept].mean())
    expected = MAPS["leave_one_out_brier"]
    assert brier_score(logistic, came) == pytest.approx(expected["logistic"], abs=0.0002)
    assert brier_score(isotonic, came) == pytest.approx(expected["isotonic"], abs=0.002)
    assert brier_score(rate, came) == pytest.approx(expected["climatology"], abs=0.0001)


def test_a_forecast_is_never_read_backwards() -> None:
    fit = fit_logistic(np.linspace(-3, 3, 200), np.repeat([1, 0], 100))
    assert (fit.slope, fit.covariance[1:]) == (0.0, (0.0, 0.0))
    assert fit.intercept == pytest.approx(0.0, abs=1e-6)


def test_nights_that_the_chance_splits_have_no_map_without_a_pull() -> None:
    odds, came = np.array([-2.0, -1.0, 1.0, 2.0]), np.array([0, 0, 1, 1])
    with pytest.raises(BadInput, match="no best logistic map"):
        fit_logistic(odds, came, pull=0.0)
    assert fit_logistic(odds, came, pull=1.0).slope == pytest.approx(1.4, abs=0.2)


@pytest.mark.parametrize(("clear", "nights"), [(6, 6), (2, 8), (15, 20), (45, 60)])
def test_a_sites_shift_is_held_back_as_a_shrunk_share_is(clear: int, nights: int) -> None:
    """All told 60 %, and everywhere else 60 % came: the shifted chance is about (K p + k) / (K + n)."""
    came = np.array([1] * clear + [0] * (nights - clear) + [1] * 6000 + [0] * 4000)
    group = np.array([0] * nights + [1] * 10_000)
    odds = np.full(len(came), np.log(0.6 / 0.4))
    shift, variance, unknown = fit_shifts(odds, came, group, weight=1.0, strength=20.0)
    chance = 1 / (1 + np.exp(-odds[0] - shift[0]))
    assert chance == pytest.approx(shrunk_share(clear, nights, 0.6), abs=0.015)
    assert shift[1] == pytest.approx(0, abs=0.01)
    assert variance[1] < variance[0] < unknown == pytest.approx(1 / (20 * 0.6 * 0.4), rel=0.01)


# Which map is used


def at_nights(made: Pairs, chosen: np.ndarray) -> Pairs:
    return made.where(chosen)


@pytest.mark.parametrize(
    ("sites", "nights", "method"),
    [(1, 29, "prior"), (40, 19, "prior"), (1, 12, "prior"), (12, 300, "isotonic")],
    ids=["29 pairs", "many sites, few nights", "a dozen", "3,600 pairs"],
)
def test_how_much_is_corrected_depends_on_how_much_was_seen(sites: int, nights: int, method: str) -> None:
    found = fit_lead(season(4, sites=sites, nights=nights, leads=(Lead.DAY_2,)).pairs, Lead.DAY_2)
    assert (found.method, found.pairs, found.nights) == (method, sites * nights, nights)
    assert found.why


def flattering(n: int, *, flips_at: float = 1.0) -> Pairs:
    """n pairs told 80 or 20 %, of which 60 and 40 % come true; from `flips_at` on all of them do."""
    rng = np.random.default_rng(11)
    said = rng.choice([0.8, 0.2], n)
    came = rng.uniform(0, 1, n) < np.where(said > 0.5, 0.6, 0.4)
    late = np.arange(n) >= flips_at * n
    came = np.where(late, said > 0.5, came)
    return pairs(said.tolist(), came.tolist(), nights=[3 * i for i in range(n)])


def test_a_map_is_used_where_it_beat_the_chance_on_nights_it_hadnt_seen() -> None:
    found = fit_lead(flattering(300), Lead.EVENING)
    trial = next(each for each in found.trials if each.method is Method.LOGISTIC)
    assert found.method is Method.LOGISTIC
    assert (trial.pairs, trial.nights) == (200, 200)
    assert trial.brier_uncalibrated - trial.brier == pytest.approx(trial.gain)
    assert trial.gain > trial.error > 0
    assert found.slope == pytest.approx(kept_log_odds(0.6) / kept_log_odds(0.8), abs=0.15)


def test_a_map_that_fails_on_later_nights_is_not_used() -> None:
    """The first half says that chances flatter, the second that they don't."""
    found = fit_lead(flattering(300, flips_at=0.5), Lead.EVENING)
    trial = next(each for each in found.trials if each.method is Method.LOGISTIC)
    assert trial.gain < 0
    assert found.method is not Method.LOGISTIC


def test_an_honest_chance_is_hardly_moved() -> None:
    rng = np.random.default_rng(8)
    said = np.round(rng.uniform(0.15, 0.85, 900), 2)
    honest = pairs(said.tolist(), (rng.uniform(0, 1, 900) < said).tolist())
    kept = recalibrated(honest, fit_calibration(honest, version="1", made_at=MADE))
    assert float(np.abs(kept.stated - said).mean()) < 0.04


@pytest.mark.parametrize("nights", [12, 60, 250])
def test_a_sure_chance_that_is_right_stays_sure(nights: int) -> None:
    """Told 97 or 3 % and right about as often: no record of whatever length makes less of it."""
    rng = np.random.default_rng(2)
    said = rng.choice([0.97, 0.03], nights)
    sure = pairs(said.tolist(), (rng.uniform(0, 1, nights) < said).tolist())
    kept = recalibrated(sure, fit_calibration(sure, version="1", made_at=MADE))
    assert float(np.abs(kept.stated - said).max()) <= 0.02


def test_each_lead_has_its_own_map() -> None:
    made = season(6, sites=12, nights=200, leads=(Lead.EVENING, Lead.DAY_5)).pairs
    found = fit_calibration(made, version="7", made_at=MADE)
    assert found.at(Lead.EVENING).pairs == found.at(Lead.DAY_5).pairs == 2400
    assert found.at(Lead.DAY_2).method is Method.PRIOR
    assert found.at(Lead.DAY_5) != found.at(Lead.EVENING)
    assert (found.version, found.made_at) == ("7", MADE)
    assert found.through is not None
    assert found.through.toordinal() == made.night.max()


def test_an_install_without_pairs_gets_the_prior() -> None:
    found = fit_calibration(pairs([], []), version="1", made_at=MADE)
    assert {each.method for each in found.leads} == {Method.PRIOR}
    assert found.through is None


def test_the_same_pairs_make_the_same_version_in_any_order() -> None:
    made = season(9, sites=5, nights=260).pairs
    shuffled = made.where(np.random.default_rng(1).permutation(len(made)))
    one, other = (fit_calibration(each, version="1", made_at=MADE) for each in (made, shuffled))
    assert fields(one) == pytest.approx(fields(other), abs=1e-5)


def fields(version: Calibration) -> list[float]:
    """All numbers of a version's map for one day ahead."""
    found = version.at(Lead.DAY_1)
    shifts = [number for each in found.shifts for number in (each.site, each.shift, each.variance)]
    steps = [number for each in found.steps for number in (each.chance, each.came, each.nights)]
    return [found.intercept, found.slope, *found.covariance, *shifts, *steps]


def test_pooling_by_value_equals_scipy_on_a_season() -> None:
    made = season(3, sites=4, nights=500).pairs
    order = np.argsort(made.raw, kind="stable")
    distinct, first = np.unique(made.raw[order], return_index=True)
    groups = np.split(made.clear[order].astype(float), first[1:])
    means, sizes = [g.mean() for g in groups], [float(len(g)) for g in groups]
    assert pool_adjacent_violators(means, sizes) == pytest.approx(isotonic_regression(means, weights=sizes).x)
    assert len(distinct) == len(means)
