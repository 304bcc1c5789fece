"""An outlook's chance, corrected by the record."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from alerts.common.phrases import kept
from alerts.common.span import Span
from alerts.track.calibration.correct import calibrated_outlook, moves_at
from alerts.track.calibration.model import LEADS, NONE, PRIOR, Calibration, Lead, LeadMap, Method, SiteShift
from alerts.weather.forecast import Source
from alerts.weather.outlook import Outlook, SourceChance

START = datetime(2026, 7, 15, 22, tzinfo=UTC)
SITE = 4
FLAT_MAP = tuple(LeadMap(lead, Method.LOGISTIC, kept(""), intercept=0.0, slope=0.5) for lead in LEADS)
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


def test_a_corrected_chance_states_its_range() -> None:
    wide = tuple(replace(each, covariance=(0.2, 0.0, 0.0), site_variance=0.1) for each in FLAT_MAP)
    version = Calibration("wide", START, None, wide)
    found = calibrated_outlook(outlook(80), version, site=SITE, now=START - timedelta(days=1))
    assert found.chance_range_pct == (45, 83)
    narrow = calibrated_outlook(outlook(80), HALF, site=SITE, now=START - timedelta(days=1))
    assert narrow.chance_range_pct == (67, 67)


def test_correcting_twice_changes_nothing_more() -> None:
    now = START - timedelta(days=1)
    once = calibrated_outlook(outlook(80), HALF, site=SITE, now=now)
    assert calibrated_outlook(once, HALF, site=SITE, now=now) == once


def test_the_chance_over_a_begun_window_is_corrected_with_it_once_and_undone_with_it() -> None:
    now = START + timedelta(hours=1)
    begun = replace(outlook(20), whole_pct=80)
    found = calibrated_outlook(begun, HALF, site=SITE, now=now)
    assert (found.chance_pct, found.whole_pct, found.raw_whole_pct) == (33, 67, 80)
    assert calibrated_outlook(found, HALF, site=SITE, now=now) == found
    assert calibrated_outlook(found, NONE, site=SITE, now=now) == begun


def test_an_unknown_chance_stays_unknown() -> None:
    assert calibrated_outlook(outlook(None), HALF, site=SITE, now=START) == outlook(None)


@pytest.mark.parametrize(("raw", "low", "high"), [(100, 98, 98), (0, 2, 2)], ids=["sure", "hopeless"])
def test_a_fresh_install_is_never_sure(raw: int, low: int, high: int) -> None:
    found = calibrated_outlook(outlook(raw), PRIOR, site=SITE, now=START)
    assert found.chance_pct is not None
    assert low <= found.chance_pct <= high


def test_nothing_else_of_the_outlook_changes() -> None:
    found = calibrated_outlook(outlook(80), HALF, site=SITE, now=START)
    undone = replace(found, chance_pct=80, raw_chance_pct=None, calibration="", chance_range_pct=None)
    assert undone == outlook(80)


def test_where_the_lead_makes_no_difference_a_chance_stands_until_something_else_changes() -> None:
    until = START - timedelta(hours=2)
    for version in (PRIOR, HALF):
        found = calibrated_outlook(outlook(80), version, site=SITE, now=START - timedelta(days=3))
        assert moves_at(found, version, site=SITE, now=START - timedelta(days=3), until=until) == until


def test_a_chance_that_moves_with_the_lead_says_when() -> None:
    """Halved five days before, as it is in the evening: on the way it moves by a point at some full hour."""
    leads = (
        LeadMap(Lead.EVENING, Method.AS_FORECAST, kept(""), lowest=0.02, highest=0.98),
        *(each for each in FLAT_MAP if each.lead is not Lead.EVENING),
    )
    version = Calibration("mixed", START, None, leads)
    now = START - timedelta(hours=11, minutes=20)
    found = calibrated_outlook(outlook(80), version, site=SITE, now=now)
    at = moves_at(found, version, site=SITE, now=now, until=START)
    assert now < at < START
    before, after = (
        calibrated_outlook(outlook(80), version, site=SITE, now=when).chance_pct
        for when in (at - timedelta(seconds=1), at)
    )
    assert (before, after != before) == (found.chance_pct, True)


def test_telling_that_leads_are_alike_reads_no_site_where_anything_else_differs() -> None:
    class Untouched(tuple[SiteShift, ...]):
        def __eq__(self, other: object) -> bool:
            raise AssertionError("the sites were compared")

        __hash__ = None  # type: ignore[assignment]

    leads = tuple(replace(each, slope=0.5 + i / 10, shifts=Untouched()) for i, each in enumerate(FLAT_MAP))
    version = Calibration("many", START, None, leads)
    found = calibrated_outlook(outlook(80), version, site=SITE, now=START)
    assert moves_at(found, version, site=SITE, now=START, until=START) == START


def test_sites_with_a_shift_of_their_own_are_corrected_by_it_and_all_others_alike() -> None:
    """Whoever was asked about first."""
    shifted = tuple(replace(each, shifts=(SiteShift(SITE, 0.8, 0.1, 30.0),)) for each in FLAT_MAP)
    version = Calibration("shifted", START, None, shifted)

    def chances() -> list[int | None]:
        found = (calibrated_outlook(outlook(80), version, site=site, now=START) for site in (1, SITE, 2))
        return [each.chance_pct for each in found]

    first = chances()
    assert first == chances() == [67, 82, 67]


def test_another_calibration_of_the_same_name_corrects_for_itself() -> None:
    other = Calibration(HALF.version, START, None, tuple(replace(each, slope=0.25) for each in FLAT_MAP))
    for _ in range(2):
        chances = [
            calibrated_outlook(outlook(80), version, site=SITE, now=START).chance_pct
            for version in (HALF, other)
        ]
        assert chances == [67, 59]
