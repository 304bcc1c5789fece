"""Sites at which the forecast is off: how soon the record sets it right, and what it does where nothing is.

Figures of this kind chose the constants of `alerts.track.calibration.fit`. A bias of 0.8 in log odds is 18
points where a night may go either way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from datetime import UTC, datetime

import numpy as np
import pytest

from alerts.track.calibration.correct import recalibrated
from alerts.track.calibration.fit import fit_calibration, fit_lead
from alerts.track.calibration.model import Lead, Method
from tests.unit.alerts.track.seasons import Floats, biased_season

MADE = datetime(2026, 8, 1, 12, tzinfo=UTC)
SEASONS = 60
LATER = 300
BIASED = 0.8


def points_off(bias: Sequence[float], *, nights: int) -> tuple[Floats, Floats]:
    """By how many points the first site's chances between 30 and 80 % are off on later nights, season by
    season: as forecast, and corrected by so many nights of record."""
    before, after = [], []
    for seed in range(SEASONS):
        made = biased_season(seed, bias, nights=nights + LATER)
        is_past = made.pairs.night < made.pairs.night.min() + nights
        version = fit_calibration(made.pairs.where(is_past), version="1", made_at=MADE)
        rest = ~is_past & (made.pairs.site == 0) & (made.pairs.raw > 0.3) & (made.pairs.raw < 0.8)
        said, truth = recalibrated(made.pairs.where(rest), version), made.truth[rest]
        before.append(100 * float((said.raw - truth).mean()))
        after.append(100 * float((said.stated - truth).mean()))
    return np.array(before), np.array(after)


@pytest.mark.parametrize(
    "bias",
    [[BIASED], [-BIASED], [BIASED] + [0.0] * 11, [BIASED] * 12],
    ids=["one site, too timid", "one site, too bold", "one of twelve", "all twelve"],
)
def test_row_178_after_60_judged_nights_a_biased_site_is_within_8_points(bias: list[float]) -> None:
    """In the mean over seasons; a single one of 60 nights is uncertain by as much again."""
    before, after = points_off(bias, nights=60)
    assert abs(before.mean()) > 16
    assert abs(after.mean()) <= 8
    assert np.sqrt((after**2).mean()) <= 12


def test_thirty_nights_help_already() -> None:
    before, after = points_off([BIASED], nights=30)
    assert abs(after.mean()) < abs(before.mean()) - 5


@pytest.mark.parametrize("nights", [30, 45])
def test_over_sites_whose_biases_vary_a_short_record_does_more_good_than_harm(nights: int) -> None:
    """Installs of one site each, biases by chance with a standard deviation of 0.5."""
    before, after = [], []
    for seed, bias in enumerate(np.random.default_rng(0).normal(0, 0.5, 150).tolist()):
        made = biased_season(seed, [bias], nights=nights + LATER)
        is_past = made.pairs.night < made.pairs.night.min() + nights
        version = fit_calibration(made.pairs.where(is_past), version="1", made_at=MADE)
        said, truth = recalibrated(made.pairs.where(~is_past), version), made.truth[~is_past]
        before.append(float(((said.raw - truth) ** 2).mean()))
        after.append(float(((said.stated - truth) ** 2).mean()))
    assert np.mean(after) < 0.97 * np.mean(before)


@pytest.mark.parametrize(("sites", "most"), [(1, 5.5), (12, 4.0)])
def test_where_nothing_is_off_60_nights_move_little(sites: int, most: float) -> None:
    _, after = points_off([0.0] * sites, nights=60)
    assert abs(after.mean()) <= 2
    assert np.sqrt((after**2).mean()) <= most


def test_row_179_one_biased_site_of_many_is_set_right_and_leaves_the_others_alone() -> None:
    made = biased_season(4, [BIASED] + [0.0] * 11, nights=120)
    found = fit_lead(made.pairs, Lead.DAY_1)
    by_site = {each.site: each.shift for each in found.shifts}
    assert by_site[0] > 0.3
    assert by_site[0] == max(by_site.values())
    assert "sites have a shift of their own" in str(found.why)
    untouched = [shift for site, shift in by_site.items() if site and not shift]
    assert len(untouched) >= 6


def test_a_shift_that_failed_at_its_site_on_later_nights_is_not_used() -> None:
    """Too timid in the first half of the record, as bold in the second."""
    first = biased_season(7, [BIASED], nights=60).pairs
    second = biased_season(8, [-BIASED], nights=60).pairs
    later = replace(second, night=second.night + 60)
    columns = [each.name for each in fields(first) if each.name != "lineages"]
    both = {name: np.concatenate([getattr(first, name), getattr(later, name)]) for name in columns}
    joined = replace(first, **both)
    found = fit_lead(joined, Lead.DAY_1)
    assert found.method is Method.PRIOR
    assert all(each.shift == 0.0 for each in found.shifts)
