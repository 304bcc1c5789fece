"""An outlook's chance, corrected by the record."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from alerts.span import Span
from alerts.track.calibration import PRIOR, Calibration, LeadMap, Method
from alerts.track.leads import LEADS
from alerts.track.outlooks import calibrated_outlook
from alerts.weather.outlook import Outlook, SourceChance
from alerts.weather.record import Source

START = datetime(2026, 7, 15, 22, tzinfo=UTC)
SITE = 4
FLAT_MAP = tuple(LeadMap(lead, Method.LOGISTIC, "", intercept=0.0, slope=0.5) for lead in LEADS)
HALF = Calibration("half", START, None, FLAT_MAP)
"""Log odds halved: 80 % becomes 67 %."""


def outlook(chance_pct: int | None) -> Outlook:
    source = Source("feed", "provider", "ecmwf", "model", "", "")
    said = SourceChance(source, None if chance_pct is None else chance_pct / 100)
    window = Span(START, START + timedelta(hours=3))
    return Outlook(
        window, chance_pct, None, None, (said,), (), True, True, True, ("ecmwf",), ("provider",), None
    )


def test_the_corrected_chance_stands_beside_what_it_was_and_the_version() -> None:
    found = calibrated_outlook(outlook(80), HALF, site=SITE, now=START - timedelta(days=1))
    assert (found.chance_pct, found.raw_chance_pct, found.calibration) == (67, 80, "half")


def test_correcting_twice_changes_nothing_more() -> None:
    now = START - timedelta(days=1)
    once = calibrated_outlook(outlook(80), HALF, site=SITE, now=now)
    assert calibrated_outlook(once, HALF, site=SITE, now=now) == once


def test_an_unknown_chance_stays_unknown() -> None:
    assert calibrated_outlook(outlook(None), HALF, site=SITE, now=START) == outlook(None)


@pytest.mark.parametrize(("raw", "low", "high"), [(100, 80, 90), (0, 10, 20)], ids=["sure", "hopeless"])
def test_a_fresh_install_is_never_sure(raw: int, low: int, high: int) -> None:
    found = calibrated_outlook(outlook(raw), PRIOR, site=SITE, now=START)
    assert found.chance_pct is not None
    assert low <= found.chance_pct <= high


def test_nothing_else_of_the_outlook_changes() -> None:
    found = calibrated_outlook(outlook(80), HALF, site=SITE, now=START)
    assert replace(found, chance_pct=80, raw_chance_pct=None, calibration="") == outlook(80)
