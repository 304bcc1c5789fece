"""Values in words, for readers of different units and clocks."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, get_args, get_type_hints
from zoneinfo import ZoneInfo

import pytest

from alerts.briefing.facts import AlertFacts, SkyNote
from alerts.common import name_tables, phrases
from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, Reader, Worded, from_row, phrase, say
from alerts.common.span import Span
from alerts.common.text import count_word, direction_word
from alerts.common.units import Units
from alerts.field.exposure import Exposure
from alerts.judging.rules import Reason
from alerts.track.calibration.model import Calibration, LeadMap
from alerts.track.observations.evidence import Account
from alerts.track.observations.outcome import Outcome
from alerts.weather.forecast import Bulletin
from alerts.weather.outlook import Hazard, Outlook
from service.explain.argument import Argument
from service.store.json_values import from_json, to_json

AT = datetime(2027, 7, 15, 2, 23, tzinfo=UTC)
IMPERIAL = Reader(units=Units.IMPERIAL)
EDT = ZoneInfo("America/New_York")
ENTRIES = {
    "wind": "wind {wind_ms:speed}, gusts {gust_ms:speed.1}",
    "bare": "{figure}",
    "limit": "{limit_ms:speed.g}, {coldest_c:temperature.g}",
    "cold": "{felt_c:temperature}, {spread_c:difference} above the dew point",
    "ground": "{away_km:distance} off at {height_m:height}, {rain_mm_h:rate.1}",
    "times": "{at:time}; {at:clock}; {at:when}; {window:span}; {window:lasting}; {night:day}; {drive:length}",
    "left": {"by": "count", "0": "none", "one": "one night", "other": "{count} nights"},
    "sure": {"by": "is_sure", "yes": "surely", "no": "perhaps"},
    "listed": "{names}; {names:or}; {names:comma}; {names:semicolon}",
    "nested": "{what:capital}: {chance_pct:.0f} % at {site!r}",
}
TIMES = {"at": AT, "window": Span(AT, AT + timedelta(hours=3, minutes=13)), "night": date(2027, 7, 14),
         "drive": timedelta(minutes=130)}  # fmt: skip


@pytest.fixture(autouse=True)
def entries(monkeypatch: pytest.MonkeyPatch) -> None:
    kept, ready = phrases._area, phrases._pieces
    mine = {
        code: ready(each) if isinstance(each, str) else {kind: ready(text) for kind, text in each.items()}
        for code, each in ENTRIES.items()
    }
    joints = {kind: ready(f" {kind}-xx ") for kind in kept("en", "common")["list"]}

    def area_of(language: str, area: str) -> Any:
        if (language, area) == ("xx", "common"):
            return {"list": joints}
        return mine if area == "t" else kept(language, area)

    monkeypatch.setattr(phrases, "_area", area_of)
    phrases.find_entry.cache_clear()


@pytest.mark.parametrize(
    ("said", "reader", "expected"),
    [
        (phrase("t.wind", wind_ms=7.2, gust_ms=9.26), Reader(), "wind 7 m/s, gusts 9.3 m/s"),
        (phrase("t.wind", wind_ms=7.2, gust_ms=9.26), IMPERIAL, "wind 16 mph, gusts 20.7 mph"),
        (phrase("t.limit", limit_ms=8.9408, coldest_c=-5), Reader(), "8.9 m/s, −5 °C"),
        (phrase("t.limit", limit_ms=8.9408, coldest_c=-5.0), IMPERIAL, "20 mph, 23 °F"),
        (phrase("t.cold", felt_c=-4.0, spread_c=2.0), Reader(), "−4 °C, 2 °C above the dew point"),
        (phrase("t.cold", felt_c=-4.0, spread_c=2.0), IMPERIAL, "25 °F, 4 °F above the dew point"),
        (phrase("t.cold", felt_c=-0.2, spread_c=0), Reader(), "0 °C, 0 °C above the dew point"),
        (
            phrase("t.ground", away_km=41, height_m=1000, rain_mm_h=2.54),
            IMPERIAL,
            "25 miles off at 3281 ft, 0.10 in/h",
        ),
        (
            phrase("t.times", **TIMES),
            Reader(zone=EDT, now=AT),
            "Wed 22:23 EDT; 22:23; at 22:23 EDT; Wed 22:23–01:36 EDT; 3 h 13 min; Wed 14 July; 2 h 10 min",
        ),
        (
            phrase("t.times", **TIMES),
            Reader(zone=EDT, now=AT - timedelta(days=1), units=Units(clock_hours=12)),
            "Wed 10:23 pm EDT; 10:23 pm; on Wed 14 July at 10:23 pm EDT; Wed 10:23 pm–1:36 am EDT; "
            "3 h 13 min; Wed 14 July; 2 h 10 min",
        ),
        (phrase("t.listed", names=("a", "b", "c")), Reader(), "a, b and c; a, b or c; a, b, c; a; b; c"),
        (phrase("t.listed", names=("a",)), Reader(), "a; a; a; a"),
        (
            phrase("t.nested", what=phrase("t.left", count=2), chance_pct=70.6, site="Al's"),
            Reader(),
            "2 nights: 71 % at \"Al's\"",
        ),
    ],
)  # fmt: skip
def test_a_phrase_is_said_as_its_reader_reads(said: Phrase, reader: Reader, expected: str) -> None:
    assert say(said, reader) == expected


@pytest.mark.parametrize(("count", "expected"), [(0, "none"), (1, "one night"), (5, "5 nights")])
def test_an_entry_goes_by_a_number(count: int, expected: str) -> None:
    assert say("t.left", count=count) == expected


def test_an_entry_goes_by_whether_something_holds() -> None:
    assert (say("t.sure", is_sure=True), say("t.sure", is_sure=False)) == ("surely", "perhaps")


def test_what_the_catalogue_does_not_have_is_named() -> None:
    with pytest.raises(KeyError, match="nowhere"):
        say("t.nowhere")
    with pytest.raises(KeyError, match="perhaps"):
        say("t.sure", is_sure="perhaps")


def test_names_of_days_months_and_directions_are_those_of_the_readers_language(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Invented words of an invented language, which has no name for July."""
    english = name_tables.read_area
    areas = {
        "names": {
            "weekday-short": {"by": "day", "2": "Vim", "3": "Vik"},
            "direction": {"by": "sixteenth", "4": "oru"},
            "count": {"by": "count", "3": "tre", "other": "{count}"},
        },
        "common": {"when": {"by": "is_today", "yes": "je {at:hour}", "no": "la {at:day} je {at:hour}"}},
    }

    def read(language: str, area: str) -> Mapping[str, Any]:
        return areas.get(area, {}) if language == "xx" else english(language, area)

    monkeypatch.setattr(name_tables, "read_area", read)
    monkeypatch.setattr(
        phrases,
        "_area",
        lambda language, area: {
            code: phrases._pieces(each)
            if isinstance(each, str)
            else {kind: phrases._pieces(text) for kind, text in each.items()}
            for code, each in read(language, area).items()
        },
    )
    monkeypatch.setattr(phrases, "find_entry", phrases.find_entry.__wrapped__)
    reader = Reader(now=AT - timedelta(days=3), language="xx")
    assert say("explain.stamp", reader, at=AT) == "Vik 15 July, 02:23 UTC"
    assert say(phrase("web-nights.toward", direction=direction_word(88.0)), reader) == "toward the oru"
    assert say(count_word(3), reader) == "tre"
    assert say(count_word(4), reader) == "4"
    assert phrases._MOMENTS["when"](AT, reader) == "la Vik 15 July je 02:23 UTC"


def test_a_language_that_lacks_an_entry_says_it_in_english() -> None:
    assert say("common.not-a-zone", Reader(language="xx"), zone="X").startswith("'X' is no time zone")


def test_several_things_are_joined_as_the_reader_s_language_joins_them() -> None:
    said = say("t.listed", Reader(language="xx"), names=("a", "b"))
    assert said == "a and-xx b; a or-xx b; a comma-xx b; a semicolon-xx b"


def test_an_error_prints_as_its_sentence() -> None:
    assert str(BadInput(phrase("t.left", count=1))) == "one night"


def test_a_phrase_in_json_has_its_code_and_its_values() -> None:
    said = phrase("t.times", **TIMES, what=phrase("t.left", count=2))
    assert said.as_json() == {
        "code": "t.times",
        "params": {
            "at": "2027-07-15T02:23:00Z",
            "window": {"start": "2027-07-15T02:23:00Z", "end": "2027-07-15T05:36:00Z"},
            "night": "2027-07-14",
            "drive": 130.0,
            "what": {"code": "t.left", "params": {"count": 2}},
        },
    }


@dataclass(frozen=True)
class Noted(Worded):
    notes: tuple[Phrase, ...] = ()
    cause: str | Phrase = ""
    why_not: Phrase | None = None


EVERYTHING = phrase(
    "t.times",
    **TIMES,
    clock=time(6, 30),
    names=("a", "b"),
    inner=phrase("t.left", count=2),
    share=0.25,
    none=None,
)


def test_a_phrase_comes_back_from_a_row_with_its_values() -> None:
    wind, none = phrase("t.wind", wind_ms=7.2, gust_ms=9.26), phrase("t.left", count=0)
    for noted in (Noted((EVERYTHING, wind), wind, none), Noted((EVERYTHING,), "as it is"), Noted()):
        assert from_json(Noted, json.loads(json.dumps(to_json(noted)))) == noted


def test_a_row_has_texts_where_they_always_were_and_codes_with_values_beside_them() -> None:
    wind, none = phrase("t.wind", wind_ms=7.2, gust_ms=9.26), phrase("t.left", count=0)
    assert to_json(Noted((none,), wind, none)) == {
        "notes": ["none"],
        "notes_phrase": [{"code": "t.left", "params": {"count": 0}}],
        "cause": "wind 7 m/s, gusts 9.3 m/s",
        "cause_phrase": {"code": "t.wind", "params": {"wind_ms": 7.2, "gust_ms": 9.26}},
        "why_not": "none",
        "why_not_phrase": {"code": "t.left", "params": {"count": 0}},
    }
    assert to_json(Noted()) == {"notes": [], "cause": "", "why_not": ""}


def test_values_that_are_equal_and_not_said_alike_have_rows_of_their_own() -> None:
    equal = [phrase("t.bare", figure=each) for each in (1, 1.0, True)]
    rows = [to_json(Noted((each, phrase("t.bare", figure=each)))) for each in equal]
    assert [row["notes"] for row in rows] == [["1", "1"], ["1.0", "1.0"], ["True", "True"]]


def test_a_row_of_before_there_were_codes_is_said_as_it_stands() -> None:
    found = from_json(Noted, {"notes": ["wind up to 7 m/s {sic}"], "cause": "too windy", "why_not": ""})
    assert [str(each) for each in (*found.notes, found.cause)] == ["wind up to 7 m/s {sic}", "too windy"]
    assert found.why_not is None


def test_a_code_that_is_no_longer_known_is_said_by_its_text() -> None:
    gone = {"code": "t.gone", "params": {"count": 2}}
    row = {"notes": ["as it was", "none"], "notes_phrase": [gone, None]}
    found = from_json(Noted, row | {"why_not": "as it was", "why_not_phrase": gone})
    assert [str(each) for each in (*found.notes, found.why_not)] == ["as it was", "none", "as it was"]


def test_values_with_phrases_are_kept_with_their_codes() -> None:
    """Whatever class of the product has a phrase in a field and is written to a row or to JSON."""
    stored = (Reason, Outlook, Bulletin, AlertFacts, Argument, Outcome, Calibration)
    seen: set[type] = set()

    def look(kind: Any) -> None:
        for each in get_args(kind):
            look(each)
        if not dataclasses.is_dataclass(kind) or kind in seen or kind is Phrase:
            return
        assert isinstance(kind, type)
        seen.add(kind)
        fields = get_type_hints(kind)
        for name in (each.name for each in dataclasses.fields(kind)):
            look(fields[name])
            holds = Phrase in (fields[name], *get_args(fields[name]))
            assert not holds or issubclass(kind, Worded), f"{kind.__qualname__}.{name} loses its code"

    for kind in stored:
        look(kind)
    assert {Hazard, Exposure, SkyNote, Account, LeadMap} <= seen


def test_what_is_told_on_a_clock_of_its_own_is_so_whoever_reads_and_after_a_row() -> None:
    due = datetime(2027, 7, 3, 17, 53, tzinfo=UTC)
    cause = phrase("judging.chance", chance_pct=62, wants_pct=70)
    wait = phrase("judging.decided-later", cause=cause, due=due, is_today=True).on("Europe/Madrid")
    said = "the chance is 62 %, you asked for 70 %; we decide at 19:53 CEST"
    assert (str(wait), say(wait, Reader(ZoneInfo("Asia/Tokyo")))) == (said, said)
    assert from_row(json.loads(json.dumps(wait.as_row()))) == wait
    assert wait.as_json()["zone"] == "Europe/Madrid"
