"""One chance corrected by a version of the maps: bounds, leads in between, sites, storage."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.common.errors import BadInput
from alerts.common.phrases import kept
from alerts.track.calibration.correct import calibrate, corrected, kept_log_odds, recalibrated
from alerts.track.calibration.model import (
    HOURS_BEFORE,
    LEADS,
    PRIOR,
    Calibration,
    Lead,
    LeadMap,
    Method,
    SiteShift,
    Step,
    Trial,
    prior_map,
)
from service.store.json_values import from_json, to_json
from tests.unit.alerts.track.files import pairs

MADE = datetime(2026, 8, 1, 12, tzinfo=UTC)
LOGISTIC = LeadMap(
    Lead.EVENING,
    Method.LOGISTIC,
    kept("tried"),
    412,
    88,
    intercept=-0.2,
    slope=0.7,
    covariance=(0.02, 0.001, 0.01),
    shifts=(SiteShift(3, 0.5, 0.05, 30.0), SiteShift(8, -0.4, 0.1, 12.0)),
    site_variance=0.2,
    lowest=0.02,
    highest=0.98,
    trials=(Trial(Method.LOGISTIC, 200, 40, 0.2, 0.18, 0.02, 0.01),),
)
ISOTONIC = replace(
    LOGISTIC,
    lead=Lead.DAY_3,
    method=Method.ISOTONIC,
    steps=(Step(0.1, 0.2, 50.0), Step(0.5, 0.45, 80.0), Step(0.9, 0.7, 40.0)),
)
AS_FORECAST = replace(prior_map(Lead.DAY_5), method=Method.AS_FORECAST, lowest=0.02, highest=0.98)
FITTED = Calibration("2026-08-01", MADE, date(2026, 7, 31), (LOGISTIC, ISOTONIC, AS_FORECAST))


@pytest.mark.parametrize(
    ("raw", "chance"), [(0.76, 0.76), (0.20, 0.20), (0.95, 0.95), (1.00, 0.98), (0.00, 0.02)]
)
def test_the_prior_believes_what_was_fitted_and_is_never_certain(raw: float, chance: float) -> None:
    found = calibrate(PRIOR, raw, hours_before=24, site=1)
    assert found.chance == pytest.approx(chance, abs=0.001)
    assert (found.methods, found.version) == ((Method.PRIOR,), "prior")


def test_the_priors_range_is_that_of_twenty_nights() -> None:
    found = calibrate(PRIOR, 0.7, hours_before=24, site=1)
    assert (found.low, found.high) == pytest.approx((0.51, 0.84), abs=0.005)


def test_a_logistic_map_moves_the_odds_and_a_site_adds_its_shift() -> None:
    by_site = [calibrate(FITTED, 0.8, hours_before=1, site=site).chance for site in (1, 3, 8)]
    odds = -0.2 + 0.7 * np.log(4)
    assert by_site == pytest.approx([1 / (1 + np.exp(-odds - shift)) for shift in (0, 0.5, -0.4)])


def test_a_site_with_few_nights_has_the_wider_range() -> None:
    known, unknown = (calibrate(FITTED, 0.8, hours_before=1, site=site) for site in (3, 1))
    assert known.high - known.low < unknown.high - unknown.low


def test_an_isotonic_map_is_level_beyond_its_steps_and_straight_between() -> None:
    chances = corrected(replace(ISOTONIC, shifts=()), [1] * 4, [0.05, 0.3, 0.5, 0.99])[0]
    assert chances == pytest.approx([0.2, 0.325, 0.45, 0.7])


def test_a_lead_without_a_map_uses_the_prior() -> None:
    found = calibrate(FITTED, 0.95, hours_before=HOURS_BEFORE[Lead.DAY_2], site=1)
    assert (found.chance, found.methods) == (pytest.approx(0.95), (Method.PRIOR,))


def test_between_two_leads_their_answers_are_blended() -> None:
    """Half-way from 72 to 120 hours: the mean in log odds, so that passing a lead makes no jump."""
    three, between, five = (calibrate(FITTED, 0.6, hours_before=hours, site=1) for hours in (72, 96, 120))
    assert kept_log_odds(between.chance) == pytest.approx(
        (kept_log_odds(three.chance) + kept_log_odds(five.chance)) / 2
    )
    assert between.methods == (Method.ISOTONIC, Method.AS_FORECAST)


@pytest.mark.parametrize("hours", [3, 12, 24, 48, 72, 120])
def test_a_chance_doesnt_jump_when_a_lead_is_passed(hours: float) -> None:
    before, after = (
        calibrate(FITTED, 0.8, hours_before=hours + step, site=3).chance for step in (0.01, -0.01)
    )
    assert before == pytest.approx(after, abs=0.001)


@pytest.mark.parametrize(("hours", "lead_hours"), [(-2, 3), (0, 3), (400, 120)])
def test_beyond_the_leads_the_nearest_one_holds(hours: float, lead_hours: float) -> None:
    far, near = (calibrate(FITTED, 0.7, hours_before=each, site=1) for each in (hours, lead_hours))
    assert far == near


@settings(deadline=None)
@given(
    st.floats(0, 1),
    st.floats(0, 1),
    st.floats(-10, 500),
    st.integers(0, 9),
    st.sampled_from([PRIOR, FITTED]),
)
def test_nothing_is_certain_and_more_never_becomes_less(
    one: float, other: float, hours: float, site: int, version: Calibration
) -> None:
    less, more = (calibrate(version, raw, hours_before=hours, site=site) for raw in sorted((one, other)))
    assert 0.02 - 1e-9 <= less.chance <= more.chance + 1e-9 <= 0.98 + 2e-9
    assert 0 < less.low <= less.chance <= less.high < 1


@pytest.mark.parametrize("raw", [-0.01, 1.01, float("nan")])
def test_what_is_no_chance_is_refused(raw: float) -> None:
    with pytest.raises(BadInput):
        calibrate(PRIOR, raw, hours_before=24, site=1)


def test_a_version_survives_its_storage() -> None:
    assert from_json(Calibration, to_json(FITTED)) == FITTED
    assert from_json(Calibration, to_json(PRIOR)) == PRIOR


def test_columns_are_corrected_as_single_chances_are() -> None:
    said = [0.05, 0.3, 0.62, 0.9]
    for lead in LEADS:
        column = recalibrated(pairs(said, [0, 0, 1, 1], lead=lead, site=[1, 3, 8, 3]), FITTED)
        single = [
            calibrate(FITTED, raw, hours_before=HOURS_BEFORE[lead], site=site).chance
            for raw, site in zip(said, (1, 3, 8, 3), strict=True)
        ]
        assert column.stated == pytest.approx(single, abs=0.0051)
        assert column.raw.tolist() == said


@settings(deadline=None)
@given(st.floats(0, 1), st.sampled_from([1, 3, 8, 9]), st.sampled_from(LEADS))
def test_one_chance_is_corrected_exactly_as_a_column_is(raw: float, site: int, lead: Lead) -> None:
    single = calibrate(FITTED, raw, hours_before=HOURS_BEFORE[lead], site=site)
    column = corrected(FITTED.at(lead), [site], [raw])
    assert (single.chance, single.low, single.high) == pytest.approx([float(each[0]) for each in column])


def test_a_chance_is_corrected_without_reading_every_site() -> None:
    """Tens of thousands are corrected in a cycle, by maps that know thousands of sites."""

    class Counted(tuple[SiteShift, ...]):
        reads = 0

        def __getitem__(self, at: Any) -> Any:
            Counted.reads += 1
            return super().__getitem__(at)

    many = Counted(SiteShift(site, 0.1, 0.02, 10.0) for site in range(10_000))
    version = Calibration("many", MADE, None, (replace(LOGISTIC, shifts=many),))
    calibrate(version, 0.6, hours_before=0, site=5_000)
    assert 0 < Counted.reads < 40
