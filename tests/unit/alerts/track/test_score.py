"""Brier scores, their parts, and isotonic regression against published and independent values."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scoringrules
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from alerts.common.errors import BadInput
from alerts.track.calibration.regression import pool_adjacent_violators
from alerts.track.calibration.score import (
    brier_score,
    brier_skill,
    isotonic_parts,
    murphy_parts,
    murphy_parts_of_groups,
)
from tests.unit.alerts.track.files import read_json, read_rows
from tests.unit.alerts.track.seasons import season

CHECKS: dict[str, Any] = read_json("checks.json")
MURPHY: dict[str, Any] = read_json("brier-decomposition.json")
PAV = CHECKS["pool_adjacent_violators"]["rows"]
NIAMEY = CHECKS["corp_decomposition_niamey"]


def test_a_textbook_table_decomposes_as_computed_there() -> None:
    table = MURPHY["wilks"]
    parts = murphy_parts_of_groups(
        table["forecast"], table["observed_frequency"], table["relative_frequency"]
    )
    assert parts.reliability == pytest.approx(table["reliability"], abs=5e-8)
    assert parts.resolution == pytest.approx(table["resolution"], abs=5e-8)
    assert parts.uncertainty == pytest.approx(table["uncertainty"], abs=5e-8)
    assert parts.brier == pytest.approx(table["brier"], abs=5e-7)
    assert parts.skill == pytest.approx(table["brier_skill"], abs=5e-6)


def test_a_small_set_decomposes_exactly() -> None:
    small = MURPHY["small"]
    parts = murphy_parts(small["forecasts"], small["outcomes"])
    assert (parts.reliability, parts.resolution) == pytest.approx((0.00341667, 0.09291667), abs=5e-9)
    assert (parts.uncertainty, parts.brier) == pytest.approx((0.2475, 0.158))
    assert brier_score(small["forecasts"], small["outcomes"]) == pytest.approx(parts.brier)
    assert parts.skill == pytest.approx(small["brier_skill"], abs=5e-7)


def niamey(method: str) -> tuple[list[float], list[float]]:
    rows = read_rows("probability-forecasts-niamey-2016.csv")
    return [float(row[method]) for row in rows], [float(row["obs"]) for row in rows]


@pytest.mark.parametrize("method", NIAMEY["rows"])
def test_real_rain_forecasts_decompose_as_published(method: str) -> None:
    """Dimitriadis, Gneiting and Jordan 2021; the R package prints .232 .018 .030 .244 for EMOS."""
    said, came = niamey(method)
    parts, expected = isotonic_parts(said, came), NIAMEY["rows"][method]
    assert brier_score(said, came) == pytest.approx(expected["S"], abs=NIAMEY["tolerance"])
    assert parts.miscalibration == pytest.approx(expected["MCB"], abs=NIAMEY["tolerance"])
    assert parts.discrimination == pytest.approx(expected["DSC"], abs=NIAMEY["tolerance"])
    assert parts.uncertainty == pytest.approx(NIAMEY["UNC"], abs=NIAMEY["tolerance"])
    assert brier_skill(expected["S"], parts.uncertainty) == pytest.approx(expected["BSS"], abs=1e-4)


def test_a_published_sequence_is_pooled_as_shown() -> None:
    fitted = pool_adjacent_violators(PAV[0]["y"])
    assert fitted.round(PAV[0]["decimals"]).tolist() == PAV[0]["fit"]


def test_pooling_lowers_the_score_as_computed() -> None:
    said, came = PAV[1]["p"], PAV[1]["y"]
    fitted = pool_adjacent_violators(came)
    assert fitted == pytest.approx(PAV[1]["fit"], abs=5e-5)
    assert brier_score(said, came) == pytest.approx(PAV[1]["brier_before"])
    assert brier_score(fitted, came) == pytest.approx(PAV[1]["brier_after"], abs=5e-7)


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(0.1, 9)), min_size=1, max_size=60))
def test_pooling_agrees_with_scipy(pairs: list[tuple[float, float]]) -> None:
    values, weights = np.array(pairs).T
    assert pool_adjacent_violators(values, weights) == pytest.approx(
        isotonic_regression(values, weights=weights).x, abs=1e-9
    )


chances = st.integers(0, 100).map(lambda pct: pct / 100)


@settings(deadline=None)
@given(st.lists(st.tuples(chances, st.booleans()), min_size=1, max_size=80))
def test_the_parts_always_add_up(nights: list[tuple[float, bool]]) -> None:
    said, came = [chance for chance, _ in nights], [clear for _, clear in nights]
    brier = brier_score(said, came)
    isotonic = isotonic_parts(said, came)
    assert murphy_parts(said, came).brier == pytest.approx(brier)
    assert isotonic.miscalibration - isotonic.discrimination + isotonic.uncertainty == pytest.approx(brier)
    assert isotonic.miscalibration >= -1e-12
    assert isotonic.discrimination >= -1e-12


@pytest.mark.parametrize(
    ("said", "came"),
    [([], []), ([0.5], [1, 0]), ([1.2], [1]), ([-0.1], [0]), ([float("nan")], [1])],
    ids=["none", "one outcome too many", "above 1", "below 0", "no number"],
)
def test_what_cant_be_scored_is_refused(said: list[float], came: list[float]) -> None:
    with pytest.raises(BadInput):
        brier_score(said, came)


def test_an_unbeatable_reference_leaves_no_skill() -> None:
    assert (brier_skill(0.1, 0.2), brier_skill(0.2, 0.0)) == (0.5, 0.0)
    assert murphy_parts([0.9, 0.9], [1, 1]).skill == 0.0


@pytest.mark.parametrize("method", ["EMOS", "ENS", "EPC", "Logistic"])
def test_a_general_verification_library_scores_real_forecasts_alike(method: str) -> None:
    rows = read_rows("probability-forecasts-niamey-2016.csv")
    said, came = (np.array([float(row[name]) for row in rows]) for name in (method, "obs"))
    theirs = float(np.mean(scoringrules.brier_score(came, said)))
    assert brier_score(said, came) == pytest.approx(theirs, abs=1e-12)
    parts, isotonic = murphy_parts(said, came), isotonic_parts(said, came)
    assert parts.brier == pytest.approx(theirs, abs=1e-12)
    assert isotonic.miscalibration - isotonic.discrimination + isotonic.uncertainty == pytest.approx(theirs)


def test_it_scores_a_simulated_season_alike() -> None:
    made = season(11, sites=20, nights=200).pairs
    theirs = scoringrules.brier_score(made.clear.astype(float), made.stated)
    assert brier_score(made.stated, made.clear) == pytest.approx(float(np.mean(theirs)), abs=1e-12)
