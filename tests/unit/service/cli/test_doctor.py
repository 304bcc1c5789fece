"""What the doctor says of the table of the Earth's rotation, by its age."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from alerts.sky.earth_rotation import earth_rotation
from service.cli.doctor import rotation_finding

ROTATION = replace(earth_rotation(), measured_to=date(2026, 10, 22), last_day=date(2027, 10, 29))


@pytest.mark.parametrize(
    ("today", "level", "says"),
    [
        (
            date(2026, 12, 1),
            "ok",
            "as measured to 2026-10-22, 40 days ago, and predicted to 2027-10-29 (IERS)",
        ),
        (date(2027, 7, 31), "ok", "predicted to 2027-10-29"),
        (date(2027, 8, 1), "note", "ends on 2027-10-29; get a newer one with pip install"),
        (date(2027, 10, 29), "note", "ends on 2027-10-29"),
        (date(2027, 10, 30), "note", "ended on 2027-10-29; since then its last rate goes on"),
    ],
    ids=str,
)
def test_row_250_the_age_of_the_table_is_told_and_its_end_in_time(today: date, level: str, says: str) -> None:
    found = rotation_finding(ROTATION, today)
    assert (found.level, found.about) == (level, "rotation")
    assert says in found.text
    assert level == "ok" or "astropy-iers-data" in found.text
