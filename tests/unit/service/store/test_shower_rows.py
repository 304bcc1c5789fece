"""A shower of the field plan as rows keep it."""

from __future__ import annotations

from datetime import UTC, datetime

from alerts.briefing.facts import ShowerNote
from alerts.sky.night import TrackPoint
from service.store.json_values import from_json, to_json

AT = datetime(2026, 8, 13, 3, 0, tzinfo=UTC)
NOTE = ShowerNote("Perseids", 100, 0.2, TrackPoint(AT, 62.0, 45.0), 80, AT, 6.45)


def test_row_252_a_shower_stored_before_its_rate_had_an_hour_is_read() -> None:
    row = to_json(NOTE)
    assert from_json(ShowerNote, row) == NOTE
    del row["hourly_at"], row["limit_mag"]
    older = from_json(ShowerNote, row)
    assert (older.hourly, older.hourly_at, older.limit_mag) == (80, None, None)
