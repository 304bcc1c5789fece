"""Real forecasts beside what came, from stored decisions to the printed record: five places, April 2024.

Four ECMWF runs, 1 to 4 days old, are the members of each hour's chance (Open-Meteo, CC BY 4.0); expected
values as in tests/data/track/checks.json.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest

from alerts.sites.model import Site
from alerts.track.calibration.correct import recalibrated
from alerts.track.calibration.model import Lead
from alerts.track.calibration.score import brier_score
from alerts.weather.skill import CLEAR_LIMIT_PCT
from service.app import Duskbell
from service.hindsight.track_record import load_record, record_page
from service.settings import Settings
from service.store.migrate import require_current
from service.store.repositories import calibrations, record_rows
from service.store.repositories.pairs import load_pairs
from tests.integration.hindsight.remembered import Remembered, remember, watch
from tests.unit.alerts.track.test_real_pairs import CHECKS, came, rows, runs_clear

RUNS = range(1, 5)
EXPECTED = CHECKS["lagged_share_days_1_to_4"]
HOUR = timedelta(hours=1)
NOW = datetime(2024, 5, 2, tzinfo=UTC)


@pytest.fixture(scope="module")
def april(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Duskbell]:
    """Every hour a window of its own, told two days before by counting (k + 0.5) / (n + 1)."""
    folder = tmp_path_factory.mktemp("april")
    duskbell = Duskbell(Settings(data_dir=folder, contact="test@example.org"))
    require_current(duskbell.engine)
    told = list(zip(rows(), runs_clear(RUNS).tolist(), came().tolist(), strict=True))
    with duskbell.sessions.begin() as session:
        for number, place in enumerate(sorted({row["place"] for row in rows()})):
            watched = watch(session, Site(place, 40.0 + number, -1.0, zone="UTC"), NOW - timedelta(days=60))
            remember(session, watched, [_hour(*each) for each in told if each[0]["place"] == place])
        while record_rows.write_due(session):
            continue
    yield duskbell
    duskbell.engine.dispose()


def _hour(row: dict[str, str], happens: int, clear: bool) -> Remembered:
    runs = {f"run {day}": float(float(row[f"fc_day{day}"]) <= CLEAR_LIMIT_PCT) for day in RUNS}
    return Remembered(
        datetime.fromisoformat(row["valid_utc"]),
        {Lead.DAY_2: round(100 * (happens + 0.5) / (len(RUNS) + 1))},
        clear,
        raw_pct={Lead.DAY_2: round(100 * happens / len(RUNS))},
        lineages=runs,
        length=HOUR,
    )


def test_four_clear_runs_came_clear_85_times_in_100_and_none_13(april: Duskbell) -> None:
    with april.sessions() as session:
        found = load_record(session)
    bins = found.records[Lead.DAY_2].reliability
    assert [each.cases for each in bins] == EXPECTED["n"]
    assert [each.clear / each.cases for each in bins] == pytest.approx(EXPECTED["observed"], abs=5e-4)
    assert bins[-1].clear / bins[-1].cases == pytest.approx(0.85, abs=0.005)
    assert bins[0].clear / bins[0].cases == pytest.approx(0.13, abs=0.005)


def test_counting_half_a_member_more_takes_the_score_from_166_to_153(april: Duskbell) -> None:
    with april.sessions() as session:
        pairs = load_pairs(session)
    assert brier_score(pairs.raw, pairs.clear) == pytest.approx(EXPECTED["brier_raw"], abs=5e-5)
    counted = brier_score(pairs.stated, pairs.clear)
    assert counted == pytest.approx(EXPECTED["brier_k_plus_half_over_n_plus_1"], abs=5e-5)


def test_the_record_says_so_in_words(april: Duskbell) -> None:
    with april.sessions() as session:
        text = "\n".join(record_page("Five places", load_record(session)))
    assert "   90 %  85 % (" in text
    assert "   10 %  13 % (" in text
    assert "run 1 alone: likelier clear than not" in text
    assert "They were better than the best single model" in text


def test_the_calibration_fitted_on_it_leaves_a_good_count_nearly_alone(april: Duskbell) -> None:
    """One month of one season: what is fitted must not do harm to (k + 0.5) / (n + 1)."""
    with april.sessions.begin() as session:
        fitted = calibrations.refit(session, NOW)
        in_use = calibrations.in_use(session)
        pairs = load_pairs(session)
    assert fitted is not None
    assert in_use.version == fitted.version
    corrected = brier_score(recalibrated(pairs, in_use).stated, pairs.clear)
    assert corrected <= EXPECTED["brier_raw"]
