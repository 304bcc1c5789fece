"""Simulated seasons whose true chances are known: what the record and the maps make of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from alerts.track.calibration.correct import recalibrated
from alerts.track.calibration.fit import fit_calibration
from alerts.track.calibration.model import LEADS, Lead
from alerts.track.record.summary import records_of
from tests.unit.alerts.track.seasons import BASE_RATE, Floats, season

MADE = datetime(2026, 8, 1, 12, tzinfo=UTC)
FEWEST_IN_A_BIN = 60


def bins(stated: Floats, truth: Floats) -> list[tuple[float, float]]:
    """Mean stated and mean true chance of each tenth that holds enough nights."""
    which = np.minimum((stated * 10 + 1e-9).astype(int), 9)
    chosen = [which == i for i in range(10)]
    return [
        (float(stated[own].mean()), float(truth[own].mean()))
        for own in chosen
        if own.sum() >= FEWEST_IN_A_BIN
    ]


def worst_of_halves(seed: int, *, sites: int, nights: int, lead: Lead) -> float:
    """The worst tenth, on the nights fitted on and on as many later ones."""
    made = season(seed, sites=sites, nights=2 * nights, leads=(lead,))
    is_past = made.pairs.night < made.pairs.night.min() + nights
    version = fit_calibration(made.pairs.where(is_past), version="1", made_at=MADE)
    return max(
        abs(true - said)
        for part in (is_past, ~is_past)
        for said, true in bins(recalibrated(made.pairs.where(part), version).stated, made.truth[part])
    )


@pytest.mark.parametrize("lead", [Lead.EVENING, Lead.DAY_2, Lead.DAY_5])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_after_2000_nights_a_chance_means_what_it_says(seed: int, lead: Lead) -> None:
    """Twelve sites: in each tenth the true rate lies within 5 points of what is stated."""
    assert worst_of_halves(seed, sites=12, nights=2000, lead=lead) <= 0.05


@pytest.mark.parametrize("lead", [Lead.EVENING, Lead.DAY_2, Lead.DAY_5])
@pytest.mark.parametrize(("sites", "nights"), [(1, 2000), (12, 167)], ids=["one site", "twelve sites"])
def test_with_2000_pairs_in_all_it_nearly_does(sites: int, nights: int, lead: Lead) -> None:
    """A tenth of them holds 60 to 300 nights, whose own share is uncertain by 3 to 6 points: over 12
    seasons the worst tenth of each is mostly within 5.5 points, and never off by more than 9."""
    worst = [worst_of_halves(seed, sites=sites, nights=nights, lead=lead) for seed in range(12)]
    assert np.median(worst) <= 0.055
    assert max(worst) <= 0.09


def test_what_was_stated_before_was_off_by_more() -> None:
    """The ensembles of these seasons are too sure of themselves: the test above isn't empty."""
    made = season(1, sites=12, nights=2000, leads=(Lead.DAY_5,))
    found = bins(made.pairs.raw, made.truth)
    assert max(abs(true - said) for said, true in found) > 0.10


@pytest.mark.parametrize("nights", [20, 40, 100])
def test_a_short_record_makes_no_chance_surer_than_it_should_be(nights: int) -> None:
    """Over 150 installs of one site each: in no tenth is what is stated further beyond the truth, seen from
    the base rate, than what was forecast."""
    stated, raw, truth = [], [], []
    for seed in range(150):
        made = season(1000 + seed, sites=1, nights=nights + 150)
        is_past = made.pairs.night < made.pairs.night.min() + nights
        version = fit_calibration(made.pairs.where(is_past), version="1", made_at=MADE)
        stated.append(recalibrated(made.pairs.where(~is_past), version).stated)
        raw.append(made.pairs.raw[~is_past])
        truth.append(made.truth[~is_past])
    corrected, forecast = (
        max(
            said - true if said > BASE_RATE else true - said
            for said, true in bins(np.concatenate(column), np.concatenate(truth))
        )
        for column in (stated, raw)
    )
    assert corrected <= forecast + 0.005


def test_six_clear_nights_of_six_make_nothing_surer() -> None:
    lucky = replace(season(5, sites=1, nights=6).pairs, clear=np.ones(6, dtype=np.bool_))
    version = fit_calibration(lucky, version="1", made_at=MADE)
    assert recalibrated(lucky, version).stated == pytest.approx(lucky.raw)


def test_a_map_fitted_on_the_past_gains_on_the_future() -> None:
    made = season(21, sites=12, nights=400, leads=LEADS)
    is_past = made.pairs.night < made.pairs.night.min() + 200
    version = fit_calibration(made.pairs.where(is_past), version="1", made_at=MADE)
    future = made.pairs.where(~is_past)
    after = records_of(recalibrated(future, version))
    for lead, before in records_of(future).items():
        assert before.scores is not None
        kept = after[lead].scores
        assert kept is not None
        assert kept.brier < before.scores.brier
        assert kept.isotonic.miscalibration < before.scores.isotonic.miscalibration


def test_the_stated_range_holds_the_truth_about_as_often_as_it_says() -> None:
    """90 % ranges of a fitted map, by site, on nights not fitted on: they hold the mean truth of like
    nights in at least 85 % of cases."""
    from alerts.track.calibration.correct import corrected

    held, cases = 0, 0
    for seed in range(12):
        made = season(300 + seed, sites=6, nights=200, leads=(Lead.DAY_5,))
        is_past = made.pairs.night < made.pairs.night.min() + 100
        version = fit_calibration(made.pairs.where(is_past), version="1", made_at=MADE)
        rest, truth = made.pairs.where(~is_past), made.truth[~is_past]
        _, low, high = corrected(version.at(Lead.DAY_5), rest.site, rest.raw)
        for site in range(6):
            for raw in np.unique(rest.raw):
                own = (rest.site == site) & (rest.raw == raw)
                if own.sum() >= 8:
                    cases += 1
                    held += low[own][0] <= truth[own].mean() <= high[own][0]
    assert cases > 100
    assert held / cases >= 0.85
