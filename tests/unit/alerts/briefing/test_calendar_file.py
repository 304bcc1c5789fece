"""The calendar file, read back by two parsers and against RFC 5545 line by line."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import vobject  # type: ignore[import-untyped]
from icalendar import Calendar

from alerts.briefing.calendar import CalendarEntry, build_calendar
from alerts.briefing.facts import AlertFacts
from alerts.common.text import plain
from tests.unit.alerts.briefing.briefing_samples import CHANGED, GO, HEADS_UP, STAND_DOWN, july
from tests.unit.alerts.briefing.test_hostile_names import HOSTILE

STAMP = datetime(2026, 7, 18, 15, 0, 1, 999, tzinfo=UTC)
KEY = "alerts.example.org/12/2026-07-18"


def entry(facts: AlertFacts, sequence: int = 0, key: str = KEY, **more: Any) -> CalendarEntry:
    return CalendarEntry(facts=facts, key=key, sequence=sequence, **more)


def events_of(*entries: CalendarEntry) -> list[Any]:
    return list(Calendar.from_ical(build_calendar(entries, stamped_at=STAMP)).walk("VEVENT"))


def test_a_go_gives_the_window_and_the_time_to_leave() -> None:
    window, leave = events_of(entry(GO))
    assert str(window["SUMMARY"]) == "Dark window: Windpump Flat"
    assert (window["DTSTART"].dt, window["DTEND"].dt) == (july(18, 21, 20), july(18, 23, 50))
    assert str(leave["SUMMARY"]) == "Leave for Windpump Flat"
    assert leave["DTSTART"].dt == july(18, 17, 40)
    assert {str(event["STATUS"]) for event in (window, leave)} == {"CONFIRMED"}
    assert str(window["DESCRIPTION"]).startswith("81 %: at least two clear hours between 23:20 and 01:50")
    assert "Times are CEST" in str(window["DESCRIPTION"])


def test_alarms_ring_before_leaving_and_before_the_window() -> None:
    window, leave = events_of(entry(GO))
    triggers = [[alarm["TRIGGER"].dt for alarm in event.walk("VALARM")] for event in (window, leave)]
    assert triggers == [[-timedelta(minutes=30)], [-timedelta(hours=1), -timedelta(minutes=15)]]
    for alarm in (*window.walk("VALARM"), *leave.walk("VALARM")):
        assert str(alarm["ACTION"]) == "DISPLAY"
        assert str(alarm["DESCRIPTION"])


def test_a_heads_up_is_tentative_and_rings_no_bell() -> None:
    (window,) = events_of(entry(HEADS_UP))
    assert str(window["STATUS"]) == "TENTATIVE"
    assert not list(window.walk("VALARM"))


def test_one_night_keeps_its_events_through_all_alerts() -> None:
    """RFC 5545: UID stays (3.8.4.7), SEQUENCE grows (3.8.7.4), STATUS says cancelled (3.8.1.11)."""
    stories = [events_of(entry(facts, k)) for k, facts in enumerate((HEADS_UP, GO, CHANGED, STAND_DOWN))]
    windows = [events[0] for events in stories]
    assert len({str(event["UID"]) for event in windows}) == 1
    assert [int(event["SEQUENCE"]) for event in windows] == [0, 1, 2, 3]
    assert [str(event["STATUS"]) for event in windows] == ["TENTATIVE", "CONFIRMED", "CONFIRMED", "CANCELLED"]
    leaves = [events[1] for events in stories[1:]]
    assert len({str(event["UID"]) for event in leaves}) == 1
    assert str(leaves[-1]["STATUS"]) == "CANCELLED"
    assert not [alarm for event in stories[-1] for alarm in event.walk("VALARM")]


def test_other_nights_and_roles_have_events_of_their_own() -> None:
    uids = {str(event["UID"]) for event in (*events_of(entry(GO)), *events_of(entry(GO, key="other")))}
    assert len(uids) == 4


def test_a_stand_down_without_a_window_cancels_what_was_told() -> None:
    gone = replace(STAND_DOWN, window=None, leave_by=None, told_window=GO.window, told_leave_by=GO.leave_by)
    assert [str(event["STATUS"]) for event in events_of(entry(gone, 2))] == ["CANCELLED", "CANCELLED"]


def test_nothing_to_enter_gives_no_file() -> None:
    assert build_calendar([entry(replace(GO, window=None))], stamped_at=STAMP) == b""
    assert build_calendar([], stamped_at=STAMP) == b""


def test_several_sites_share_a_file() -> None:
    other = replace(GO, site_name="Salt Pan East")
    names = [str(event["LOCATION"]) for event in events_of(entry(GO), entry(other, key="other"))]
    assert names == ["Windpump Flat"] * 2 + ["Salt Pan East"] * 2


def test_place_and_page_go_in_only_where_they_are_given() -> None:
    """GEO is latitude and longitude (RFC 5545 3.8.1.6)."""
    bare, _ = events_of(entry(GO))
    assert "GEO" not in bare
    assert "URL" not in bare
    text = build_calendar(
        [entry(GO, place=(40.3112345, -1.42), url="https://duskbell.example.org/n/1")], stamped_at=STAMP
    ).decode()
    assert "GEO:40.311234;-1.42\r\n" in text or "GEO:40.311235;-1.42\r\n" in text
    assert "URL:https://duskbell.example.org/n/1\r\n" in text


def test_an_address_that_is_none_is_left_out() -> None:
    window, _ = events_of(entry(GO, url="javascript:alert(1)"))
    assert "URL" not in window


def test_an_invented_night_says_so() -> None:
    window, _ = events_of(entry(replace(GO, invented=True)))
    assert str(window["SUMMARY"]).startswith("[Invented] ")


def test_stamp_is_passed_in_and_whole() -> None:
    for event in events_of(entry(GO)):
        assert event["DTSTAMP"].dt == datetime(2026, 7, 18, 15, 0, 1, tzinfo=UTC)
    with pytest.raises(ValueError, match="zone"):
        build_calendar([entry(GO)], stamped_at=datetime(2026, 7, 18, 15))  # noqa: DTZ001


@pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE)
def test_every_line_keeps_the_standard_whatever_the_name(name: str) -> None:
    """RFC 5545 3.1: CRLF, lines of 75 octets, folded between characters; 3.3.5: UTC times only."""
    raw = build_calendar([entry(replace(GO, site_name=name, cause=name))], stamped_at=STAMP)
    assert raw.endswith(b"\r\n")
    assert b"\n" not in raw.replace(b"\r\n", b"")
    for line in raw.split(b"\r\n"):
        assert len(line) <= 75
        line.decode("utf-8")
    unfolded = raw.replace(b"\r\n ", b"").decode("utf-8").split("\r\n")
    names = {line.split(":")[0].split(";")[0] for line in unfolded if line}
    assert names <= {
        "BEGIN", "END", "PRODID", "VERSION", "CALSCALE", "UID", "DTSTAMP", "DTSTART", "DTEND", "SEQUENCE",
        "STATUS", "SUMMARY", "DESCRIPTION", "LOCATION", "ACTION", "TRIGGER",
    }  # fmt: skip
    for text in unfolded:
        if text.startswith("DT"):
            assert text.endswith("Z")
            assert "TZID" not in text


@pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE)
def test_two_parsers_read_the_same(name: str) -> None:
    raw = build_calendar([entry(replace(GO, site_name=name), 3)], stamped_at=STAMP)
    window: Any = next(iter(Calendar.from_ical(raw).walk("VEVENT")))
    second = vobject.readOne(raw.decode("utf-8")).vevent
    assert str(window["LOCATION"]) == second.location.value == plain(name, 80)
    assert str(window["UID"]) == second.uid.value
    assert str(window["DESCRIPTION"]) == second.description.value
    assert window["DTSTART"].dt == second.dtstart.value
    assert int(window["SEQUENCE"]) == int(second.sequence.value) == 3
