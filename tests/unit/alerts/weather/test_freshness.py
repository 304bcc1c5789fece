"""When a run is too old: by provider and model, by what is said of the next one, by who still answers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from alerts.weather.forecast import Source
from alerts.weather.freshness import dated, turns, why_unusable

NOW = datetime(2026, 10, 9, 18, tzinfo=UTC)
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


def run(
    feed: str,
    model: str,
    age_h: float,
    *,
    asked_h: float | None = 0.2,
    every_h: float | None = None,
    issued: bool = True,
) -> Source:
    """A run issued `age_h` ago, last confirmed `asked_h` ago; the next is due `every_h` after it."""
    since = NOW - age_h * HOUR
    return Source(
        feed,
        "provider",
        "lineage",
        model,
        "credit",
        "https://example.org/",
        issued_at=since if issued else None,
        unchanged_since=since,
        fetched_at=None if asked_h is None else NOW - asked_h * HOUR,
        next_due_at=None if every_h is None else since + every_h * HOUR,
    )


TODAY = {
    "row_163_the_newest_global_run_of_met_norway": (run("metno", "global", 9.5), True),
    "played from a file": (run("metno", "global", 9.5, asked_h=None), True),
    "older than any was seen": (run("metno", "global", 12.1), False),
    "row_30_the_last_good_answer_of_a_feed_that_is_down": (run("metno", "global", 9.5, asked_h=3.1), False),
    "an hourly model": (run("metno", "nordic", 6.1), False),
    "row_163_grids_that_a_forecaster_made_in_the_morning": (run("nws", "gridpoint", 11.0), True),
    "grids of yesterday": (run("nws", "gridpoint", 12.1), False),
    "a model without habits": (run("open-meteo", "unknown", 6.1), False),
    "within the usual age": (run("open-meteo", "unknown", 5.9), True),
    "the next is due now": (run("open-meteo", "gfs_seamless", 6.0, every_h=6), True),
    "the next should be here": (run("open-meteo", "gfs_seamless", 7.6, every_h=6), False),
    "row_163_every_twelve_hours": (run("open-meteo", "gem_seamless", 13.4, every_h=12), True),
    "once a day": (run("open-meteo", "gem_seamless", 6.1, every_h=24), False),
    "values unchanged, run unnamed": (run("metno", "global", 9.5, issued=False), True),
}


@pytest.mark.parametrize(("source", "fresh"), TODAY.values(), ids=TODAY.keys())
def test_on_the_day_the_newest_run_there_is_counts(source: Source, fresh: bool) -> None:
    assert (why_unusable(source, NOW, is_night_of=True) is None) is fresh


def test_before_the_day_twelve_hours_are_allowed() -> None:
    assert why_unusable(run("open-meteo", "unknown", 11.9), NOW, is_night_of=False) is None
    old = run("open-meteo", "unknown", 12.5)
    assert str(why_unusable(old, NOW, is_night_of=False)) == "its run is 12.5 h old, more than 12 h"


def test_the_reason_names_what_was_allowed() -> None:
    old = run("open-meteo", "gfs_seamless", 8, every_h=6)
    assert str(why_unusable(old, NOW, is_night_of=True)) == "its run is 8 h old, more than 7.5 h"


@pytest.mark.parametrize("source", [source for source, _ in TODAY.values()], ids=TODAY.keys())
def test_a_run_turns_stale_only_at_moments_that_are_told(source: Source) -> None:
    """Minute by minute: whenever the answer changes, one of `turns` has just passed."""
    told = sorted(turns(source))
    since = dated(source)
    assert since is not None
    for is_night_of in (True, False):
        was = why_unusable(source, since, is_night_of=is_night_of)
        for minute in range(1, 20 * 60):
            now = since + minute * MINUTE
            stale = why_unusable(source, now, is_night_of=is_night_of)
            if bool(stale) != bool(was):
                assert any(now - MINUTE <= at <= now for at in told), now
            was = stale
