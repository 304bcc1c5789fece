"""Real forecasts beside what came, end to end: five places in April 2024 (Open-Meteo, ECMWF; CC BY 4.0)."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from alerts.track.calibration.correct import kept_log_odds
from alerts.track.calibration.fit import fit_lead
from alerts.track.calibration.model import Lead
from alerts.track.calibration.pairs import Pairs
from alerts.track.calibration.regression import fit_logistic
from alerts.track.calibration.score import brier_score, brier_skill
from alerts.track.record.summary import build_record
from alerts.weather.skill import CLEAR_LIMIT_PCT, chance_of, evidence, pooled_evidence, usual_log_odds
from tests.unit.alerts.track.files import pairs, read_json, read_rows

CHECKS: dict[str, Any] = read_json("checks.json")["five_places_night"]


@cache
def rows() -> list[dict[str, str]]:
    return read_rows("cloud-forecast-leads-nights-2024-04.csv.gz", "judging")


def came() -> np.ndarray:
    return np.array([float(row["analysis"]) <= CLEAR_LIMIT_PCT for row in rows()])


def runs_clear(days: range) -> np.ndarray:
    """How many of the runs of those days ahead say clear, for each hour."""
    return np.array([sum(float(row[f"fc_day{day}"]) <= CLEAR_LIMIT_PCT for day in days) for row in rows()])


def places() -> np.ndarray:
    return np.unique([row["place"] for row in rows()], return_inverse=True)[1]


def as_pairs(chance: np.ndarray) -> Pairs:
    """Hours as pairs; each hour's night is named by its UTC date, or the one before for the morning hours."""
    names = [datetime.fromisoformat(row["valid_utc"]) for row in rows()]
    nights = [each.toordinal() - (each.hour < 12) - date(2025, 1, 1).toordinal() for each in names]
    return pairs(chance.tolist(), came().tolist(), lead=Lead.DAY_2, site=places().tolist(), nights=nights)


def climatology_of_places() -> np.ndarray:
    rates = np.bincount(places(), came()) / np.bincount(places())
    return np.asarray(rates[places()])


DAYS = {"lagged_share_days_1_to_4": range(1, 5), "lagged_share_days_3_to_7": range(3, 8)}


@pytest.mark.parametrize("group", DAYS)
def test_shares_of_runs_came_clear_as_counted(group: str) -> None:
    """Of four runs all clear: 85 % came clear; none: 13 %."""
    expected, happens = CHECKS[group], runs_clear(DAYS[group])
    for k, (cases, share) in enumerate(zip(expected["n"], expected["observed"], strict=True)):
        assert int((happens == k).sum()) == cases
        assert came()[happens == k].mean() == pytest.approx(share, abs=5e-4)


@pytest.mark.parametrize("group", DAYS)
def test_counting_half_a_member_more_gains_as_computed(group: str) -> None:
    expected, happens, n = CHECKS[group], runs_clear(DAYS[group]), len(DAYS[group])
    raw, counted = (build_record(as_pairs(chance), reference=climatology_of_places()).scores
                    for chance in (happens / n, (happens + 0.5) / (n + 1)))  # fmt: skip
    assert raw is not None
    assert counted is not None
    assert raw.brier == pytest.approx(expected["brier_raw"], abs=5e-5)
    assert counted.brier == pytest.approx(expected["brier_k_plus_half_over_n_plus_1"], abs=5e-5)
    assert raw.skill == pytest.approx(expected["bss_raw_vs_place_climatology"], abs=5e-4)


def test_the_service_own_pooling_is_better_than_counting() -> None:
    """By the hour, as the counts above; the runs of days 1 to 4 as four sources. Counting gives 0.1535."""
    clouds = np.array([[float(row[f"fc_day{day}"]) for day in range(1, 5)] for row in rows()])
    added = evidence(clouds, np.arange(1, 5), 1.0, 1.0)
    chance = chance_of(usual_log_odds(1.0, 1.0) + pooled_evidence(added, np.ones(4)))
    assert brier_score(chance, came()) <= 0.1465


def test_one_run_taken_at_its_word_is_worse_than_climatology() -> None:
    by_rate = brier_score(climatology_of_places(), came())
    skills = [
        brier_skill(brier_score(runs_clear(range(day, day + 1)).astype(float), came()), by_rate)
        for day in range(8)
    ]
    assert skills[0] > 0
    assert all(skill < 0 for skill in skills[1:])
    assert skills[7] == pytest.approx(-0.69, abs=0.02)


def test_the_reliability_picture_shows_the_steps() -> None:
    record = build_record(as_pairs((runs_clear(range(1, 5)) + 0.5) / 5))
    shares = [round(each.clear / each.cases, 2) for each in record.reliability]
    assert [each.cases for each in record.reliability] == [484, 141, 106, 144, 346]
    assert shares == [0.13, 0.28, 0.42, 0.70, 0.85]
    assert record.pairs == 1221
    assert record.effective_nights < 130


def test_hours_of_one_night_count_as_one() -> None:
    """1,221 hours are 150 nights at five places, worth fewer."""
    record = build_record(as_pairs(np.full(1221, 0.44)))
    nights = len({(site, night) for site, night in zip(*nights_and_sites(), strict=True)})
    assert 60 < record.effective_nights < nights <= 155


def nights_and_sites() -> tuple[list[int], list[int]]:
    made = as_pairs(np.full(1221, 0.44))
    return made.site.tolist(), made.night.tolist()


def test_leaving_a_place_out_no_map_beats_counting() -> None:
    """Fitted on four places, tried on the fifth: counted .153, logistic .154."""
    counted = (runs_clear(range(1, 5)) + 0.5) / 5
    odds, said = kept_log_odds(counted), np.empty(1221)
    for place in range(5):
        left_out = places() == place
        fit = fit_logistic(odds[~left_out], came()[~left_out])
        said[left_out] = 1 / (1 + np.exp(-fit.intercept - fit.slope * odds[left_out]))
    assert brier_score(counted, came()) == pytest.approx(0.153, abs=5e-4)
    assert brier_score(said, came()) == pytest.approx(0.154, abs=1e-3)


def test_a_month_of_real_nights_leaves_a_good_chance_alone() -> None:
    """Fitting on thirty nights finds nothing that surely beats counting, or hardly moves it."""
    counted = as_pairs((runs_clear(range(1, 5)) + 0.5) / 5)
    one_hour = np.unique(np.column_stack([counted.site, counted.night]), axis=0, return_index=True)[1]
    found = fit_lead(replace(counted.where(one_hour)), Lead.DAY_2)
    assert found.pairs == len(one_hour)
    assert found.slope == pytest.approx(1.0, abs=0.35)
    assert (
        0.9 * found.trials[0].brier_uncalibrated
        < found.trials[0].brier
        < 1.1 * found.trials[0].brier_uncalibrated
    )


def test_morning_cloud_tells_of_the_afternoon_at_real_stations() -> None:
    """16 stations: "at most 2 oktas at 9 h" as a forecast of the same at 15 h, by counting its own past.

    Each amount came clear less often than the one below it, but for neighbours that hardly differ, which
    is what an isotonic map rests on.
    """
    tables = [
        np.array(each["okta9h_by_okta15h"])
        for each in read_json("okta-9h-15h-counts.json")["stations"].values()
    ]
    whole = np.sum(tables, axis=0)
    shares = whole[:, :3].sum(axis=1) / whole.sum(axis=1)
    assert shares[0] > 0.6
    assert shares[8] < 0.1
    assert all(right <= left + 0.02 for left, right in pairwise(shares))


def test_the_data_are_dated() -> None:
    first = datetime.fromisoformat(rows()[0]["valid_utc"])
    assert first == datetime(2024, 4, 1, tzinfo=UTC)
