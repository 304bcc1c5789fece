"""Official warnings against a trip: named, linked, and blocking at severe and extreme."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from alerts.briefing.collect import attributions
from alerts.common.span import Span
from alerts.weather.forecast import Bulletin, Forecast, OfficialWarning, Severity
from alerts.weather.outlook import Hazard, HazardLevel
from tests.unit.alerts.weather.values import HOUR, NOW, WINDOW, forecast, look

URL = "https://api.weather.gov/alerts/urn:oid:1"
EVENING = Span(WINDOW.start - HOUR, WINDOW.start + HOUR)


def warning(severity: Severity = Severity.SEVERE, span: Span = EVENING, name: str = "1") -> OfficialWarning:
    return OfficialWarning(name, "High Wind Warning", severity, span, "Ridges", "High wind", URL)


def warned(*warnings: OfficialWarning, asked_at: datetime | None = NOW, authority: str = "NWS") -> Forecast:
    bulletin = Bulletin("nws-warnings", authority, "credit of the NWS", "https://w", warnings, asked_at)
    return forecast(bulletins=(bulletin,))


def hazard(*forecasts: Forecast) -> Hazard:
    found = look(*forecasts).hazard("warning")
    assert found is not None
    return found


LEVELS = {
    "extreme": (Severity.EXTREME, HazardLevel.FAIL),
    "severe": (Severity.SEVERE, HazardLevel.FAIL),
    "moderate": (Severity.MODERATE, HazardLevel.WARN),
    "minor": (Severity.MINOR, HazardLevel.WARN),
    "of unknown severity": (Severity.UNKNOWN, HazardLevel.WARN),
}


@pytest.mark.parametrize(("severity", "level"), LEVELS.values(), ids=LEVELS.keys())
def test_a_warning_over_the_trip_has_its_level(severity: Severity, level: HazardLevel) -> None:
    assert hazard(warned(warning(severity))).level is level


def test_it_is_named_and_linked_and_says_from_when() -> None:
    found = hazard(warned(warning()))
    assert (str(found.text), found.url) == ("official warning: High Wind Warning (severe)", URL)
    assert found.at == EVENING.start


SPANS = {
    "over before one leaves": (Span(NOW, WINDOW.start - timedelta(hours=2.6)), HazardLevel.FINE),
    "on the way there": (Span(NOW, WINDOW.start - timedelta(hours=2.4)), HazardLevel.FAIL),
    "on the way home": (Span(WINDOW.end + HOUR, WINDOW.end + 9 * HOUR), HazardLevel.FAIL),
    "after one is home": (Span(WINDOW.end + 2 * HOUR, WINDOW.end + 9 * HOUR), HazardLevel.FINE),
}


@pytest.mark.parametrize(("span", "level"), SPANS.values(), ids=SPANS.keys())
def test_it_counts_from_leave_by_to_home(span: Span, level: HazardLevel) -> None:
    assert hazard(warned(warning(span=span))).level is level


def test_where_nobody_was_asked_the_local_authority_is_named() -> None:
    found = hazard(forecast())
    assert found.level is HazardLevel.UNKNOWN
    assert "check with the local authority" in str(found.text)


def test_an_authority_that_warns_of_nothing_is_named_too() -> None:
    found = hazard(warned())
    assert (found.level, str(found.text)) == (HazardLevel.FINE, "no official warning by NWS")


def test_the_newest_word_of_an_authority_counts_alone() -> None:
    old, new = warned(warning(), asked_at=NOW - HOUR), warned()
    assert hazard(old, new).level is HazardLevel.FINE
    assert hazard(new, old).level is HazardLevel.FINE
    assert hazard(old, warned(warning(), authority="MET Norway")).level is HazardLevel.FAIL


def test_a_stale_forecast_still_carries_its_warnings() -> None:
    stale = replace(warned(warning()), source=replace(forecast().source, issued_at=NOW - 20 * HOUR))
    seen = look(stale)
    assert seen.chance_pct is None
    assert [each.event for each in seen.warnings] == ["High Wind Warning"]


def test_the_gravest_comes_first_and_each_once() -> None:
    minor, severe = warning(Severity.MINOR, name="2"), warning()
    seen = look(warned(minor, severe, severe))
    assert [each.severity for each in seen.warnings] == [Severity.SEVERE, Severity.MINOR]


def test_many_are_counted_not_listed() -> None:
    many = tuple(warning(Severity.MINOR, name=str(k)) for k in range(5))
    assert str(hazard(warned(*many)).text).endswith("and 2 more")


def test_whose_word_was_used_is_credited_with_the_outlook_also_when_nothing_is_in_force() -> None:
    outlook = look(warned(), warned(warning()), forecast())
    official = [source for source in outlook.sources if source.lineage == "official"]
    assert [(each.feed, each.provider, each.attribution) for each in official] == [
        ("nws-warnings", "NWS", "credit of the NWS")
    ]
    assert "official" not in outlook.lineages
    assert "credit of the NWS" in {each.text for each in attributions(outlook)}


def test_an_authority_that_nobody_asked_is_not_credited() -> None:
    assert all(source.lineage != "official" for source in look(forecast()).sources)
