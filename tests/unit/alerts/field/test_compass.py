"""Magnetic bearings against the World Magnetic Model's own test values."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from alerts.field.compass import BLACKOUT_NT, CAUTION_NT, compass_at, decimal_year
from tests.unit.alerts.field.tables import rows_of

VALUES = rows_of("wmm2025-test-values.csv")


def moment(year: float) -> datetime:
    """A decimal year as a moment, to the microsecond above."""
    start, end = datetime(int(year), 1, 1, tzinfo=UTC), datetime(int(year) + 1, 1, 1, tzinfo=UTC)
    return start + (end - start) * (year - int(year))


@pytest.mark.parametrize(
    "row", VALUES, ids=lambda row: f"{row['decimal_year']} {row['lat_deg']} {row['lon_deg']}"
)
def test_declination_is_the_models_own_and_is_left_out_near_the_poles(row: dict[str, str]) -> None:
    """Official values, printed to 0.01 degrees; zones by the horizontal intensity printed beside them."""
    horizontal_nt = float(row["horizontal_nt"])
    found = compass_at(
        float(row["lat_deg"]),
        float(row["lon_deg"]),
        1000 * float(row["height_km"]),
        moment(float(row["decimal_year"])),
    )
    if horizontal_nt >= CAUTION_NT:
        assert found.why_not is None
        assert found.declination_deg == pytest.approx(float(row["declination_deg"]), abs=0.0056)
    else:
        zone = "is of no use" if horizontal_nt < BLACKOUT_NT else "can be wrong by many degrees"
        assert found.declination_deg is None
        assert found.magnetic_deg(10) is None
        assert zone in str(found.why_not)
        assert f"({horizontal_nt:.0f} nT" in str(found.why_not)


def test_the_test_values_have_all_three_zones() -> None:
    intensities = [float(row["horizontal_nt"]) for row in VALUES]
    assert len(VALUES) == 100
    assert sum(each < BLACKOUT_NT for each in intensities) == 2
    assert sum(BLACKOUT_NT <= each < CAUTION_NT for each in intensities) == 7


@pytest.mark.parametrize(
    ("at", "is_known"),
    [
        (datetime(2024, 12, 31, 23, 59, tzinfo=UTC), False),
        (datetime(2025, 1, 1, tzinfo=UTC), True),
        (datetime(2029, 12, 31, 23, 59, tzinfo=UTC), True),
        (datetime(2030, 1, 1, tzinfo=UTC), False),
    ],
)
def test_row_245_outside_its_five_years_the_model_gives_no_bearing(at: datetime, is_known: bool) -> None:
    found = compass_at(40.31, -1.42, 1180, at)
    assert (found.declination_deg is not None) == is_known
    if not is_known:
        assert "holds from 2025 to the end of 2029" in str(found.why_not)


def test_a_needle_east_of_north_reads_less() -> None:
    """33° N 118° W in mid-2025: 11.1° east by the test values, so true south is 168.9° by the compass."""
    found = compass_at(33, -118, 44_000, datetime(2025, 7, 2, 12, tzinfo=UTC))
    assert found.magnetic_deg(180) == pytest.approx(168.9, abs=0.01)
    assert found.magnetic_deg(5) == pytest.approx(353.9, abs=0.01)
    # the model's error model: the root of 0.26² + (5417 nT / H)²
    assert found.uncertainty_deg == pytest.approx((0.26**2 + (5417 / 23679) ** 2) ** 0.5, abs=0.006)


def test_years_are_counted_by_their_own_length() -> None:
    assert decimal_year(datetime(2028, 7, 2, tzinfo=UTC)) == pytest.approx(2028.5)
    assert decimal_year(datetime(2027, 1, 1, tzinfo=UTC) + timedelta(days=73)) == pytest.approx(2027.2)
