"""People, stations and analyses put together: who settles a night, and what stays unsure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.common.phrases import kept, phrase
from alerts.common.span import Span
from alerts.track.observations.evidence import Account, Event, Judge, OutcomeState, PersonReport, SeenSky
from alerts.track.observations.outcome import Evidence, Outcome, combine, judge_night
from alerts.track.observations.witnesses import accounts_of_analyses, accounts_of_people
from alerts.weather.forecast import Forecast, LayerScheme, Source
from alerts.weather.hours import HourlyWeather, Hours
from service.store.json_values import from_json, to_json
from tests.unit.alerts.track.files import EVENT, HOUR, MINUTE, SITE, WINDOW, hourly, station, utc

MORNING = utc(16, 12)
CLEAR, PARTLY, CLOUDY, DID_NOT_GO = SeenSky


def person(
    seen: SeenSky,
    name: str = "anna",
    *,
    at: datetime = MORNING,
    clear_span: Span | None = None,
    toward_deg: float | None = None,
) -> PersonReport:
    return PersonReport(name, seen, at, clear_span, toward_deg)


def analysis(
    clouds_pct: Sequence[float | None], *, lineage: str = "ecmwf", fetched_at: datetime | None = MORNING
) -> Forecast:
    """An hour of total cloud each from the window's start."""
    source = Source("archive", "Open-Meteo", lineage, lineage, "", "", fetched_at=fetched_at)
    hours = Hours.of(
        HourlyWeather(WINDOW.start + i * HOUR, WINDOW.start + (i + 1) * HOUR, cloud_total_pct=cloud)
        for i, cloud in enumerate(clouds_pct)
    )
    return Forecast(source, 0, 0, None, LayerScheme.NONE, hours)


CLEAR_NIGHT, CLOUDY_NIGHT = ["AUTO CLR"] * 5, ["AUTO OVC030"] * 5
NEAR, NEAR_TOO = station("KXAA", 10), station("KWWW", -10)
FAR, FAR_TOO = station("KYYY", 40), station("KZZZ", -40)
SAID: dict[str, dict[str, Any]] = {
    "nobody": {},
    "a person: clear": {"people": [person(CLEAR)]},
    "a person: cloudy": {"people": [person(CLOUDY)]},
    "a person who didn't go": {"people": [person(DID_NOT_GO)]},
    "a person: partly": {"people": [person(PARTLY)]},
    "two people: clear": {"people": [person(CLEAR), person(CLEAR, "ben")]},
    "two people against each other": {"people": [person(CLEAR), person(CLOUDY, "ben")]},
    "two of three people: clear": {"people": [person(CLEAR), person(CLOUDY, "ben"), person(CLEAR, "cleo")]},
    "near station: cloudy": {"stations": [NEAR], "reports": hourly("KXAA", CLOUDY_NIGHT)},
    "near station: clear": {"stations": [NEAR], "reports": hourly("KXAA", CLEAR_NIGHT)},
    "second near station: cloudy": {"stations": [NEAR_TOO], "reports": hourly("KWWW", CLOUDY_NIGHT)},
    "far station: cloudy": {"stations": [FAR], "reports": hourly("KYYY", CLOUDY_NIGHT)},
    "far station: clear": {"stations": [FAR], "reports": hourly("KYYY", CLEAR_NIGHT)},
    "second far station: cloudy": {"stations": [FAR_TOO], "reports": hourly("KZZZ", CLOUDY_NIGHT)},
    "analysis: clear": {"analyses": [analysis([5, 5, 5, 5])]},
    "analysis: cloudy": {"analyses": [analysis([95, 95, 95, 95])]},
    "second analysis: cloudy": {"analyses": [analysis([95, 95, 95, 95], lineage="icon")]},
}


def evidence(*names: str) -> Evidence:
    parts = [SAID[name] for name in names]
    return Evidence(
        **{
            key: [each for part in parts for each in part.get(key, [])]
            for key in ("stations", "reports", "people", "analyses")
        }
    )


def outcome(*names: str) -> Outcome:
    return judge_night(EVENT, SITE, evidence(*names))


@pytest.mark.parametrize(
    ("names", "state", "judge", "others"),
    [
        (["nobody"], "unsure", None, 0),
        (["a person: clear"], "clear", "people", 0),
        (["a person: cloudy"], "not_clear", "people", 0),
        (["a person who didn't go"], "unsure", None, 0),
        (["a person: partly"], "unsure", None, 0),
        (["two people against each other"], "unsure", None, 2),
        (["two of three people: clear"], "clear", "people", 1),
        (["near station: cloudy"], "not_clear", "stations", 0),
        (["near station: clear"], "unsure", None, 0),
        (["near station: clear", "analysis: clear"], "clear", "stations", 0),
        (["near station: clear", "analysis: cloudy"], "unsure", None, 2),
        (["near station: clear", "analysis: clear", "second analysis: cloudy"], "unsure", None, 3),
        (["near station: cloudy", "analysis: clear"], "unsure", None, 2),
        (["near station: cloudy", "analysis: cloudy"], "not_clear", "stations", 0),
        (
            ["near station: cloudy", "second near station: cloudy", "analysis: clear"],
            "not_clear",
            "stations",
            1,
        ),
        (["far station: cloudy"], "unsure", None, 0),
        (["far station: cloudy", "analysis: cloudy"], "not_clear", "stations", 0),
        (["far station: cloudy", "second far station: cloudy"], "not_clear", "stations", 0),
        (["far station: clear", "analysis: clear"], "clear", "stations", 0),
        (["near station: cloudy", "far station: clear"], "not_clear", "stations", 1),
        (["far station: clear", "second far station: cloudy", "analysis: clear"], "unsure", None, 3),
        (["analysis: clear"], "unsure", None, 0),
        (["analysis: cloudy", "second analysis: cloudy"], "unsure", None, 0),
        (["a person: clear", "near station: clear"], "clear", "people", 0),
        (["a person: cloudy", "near station: clear", "analysis: clear"], "not_clear", "people", 2),
        (["a person: clear", "near station: cloudy"], "unsure", None, 2),
        (["a person: clear", "near station: cloudy", "analysis: clear"], "clear", "people", 1),
        (["a person: clear", "near station: cloudy", "analysis: cloudy"], "unsure", None, 3),
        (["a person: clear", "far station: cloudy"], "clear", "people", 1),
        (["two people: clear", "near station: cloudy"], "clear", "people", 1),
        (["two people against each other", "near station: cloudy"], "not_clear", "stations", 1),
        (["a person: partly", "near station: cloudy"], "not_clear", "stations", 0),
    ],
    ids=lambda value: " + ".join(value) if isinstance(value, list) else None,
)
def test_one_rule_settles_a_night(names: list[str], state: str, judge: str | None, others: int) -> None:
    found = outcome(*names)
    assert (found.state, found.judge, len(found.disagreement)) == (state, judge, others)
    assert str(found.why)


def test_disagreement_is_told_in_a_sentence() -> None:
    found = outcome("a person: clear", "far station: cloudy")
    assert tuple(str(each) for each in found.disagreement) == (
        "KYYY METAR (weather stations) says not clear: cloud through the window; "
        "counts half: 40 km away, 0 m higher or lower",
    )


def test_all_accounts_are_kept_counted_or_not() -> None:
    found = outcome("a person who didn't go", "near station: clear", "analysis: clear")
    assert [(said.judge.value, said.counts) for said in found.accounts] == [
        ("people", False),
        ("stations", True),
        ("analysis", True),
    ]


def test_station_and_analysis_must_have_the_same_hours_clear() -> None:
    early = hourly("KXAA", ["SKC", "SKC", "OVC030", "OVC030", "OVC030"])
    found = judge_night(EVENT, SITE, Evidence([NEAR], early, analyses=[analysis([95, 95, 5, 5])]))
    assert (found.state, str(found.why)) == (
        "unsure",
        "stations and the analysis have it clear at different times",
    )


def test_a_station_set_aside_says_nothing() -> None:
    reports = hourly("KXAA", CLOUDY_NIGHT)
    aside = {"KXAA": phrase("observations.repeats", station="KB")}
    found = judge_night(EVENT, SITE, Evidence([NEAR], reports, set_aside=aside))
    assert found.state is OutcomeState.UNSURE
    assert str(found.accounts[0].why) == "not counted: it repeats the reports of KB"


def test_two_reports_from_one_airfield_are_one_witness() -> None:
    """METAR and SYNOP of one place, 40 km off: half a witness, not a whole one."""
    beside = station("72507", 41)
    reports = hourly("KYYY", CLOUDY_NIGHT) + hourly("72507", CLOUDY_NIGHT)
    found = judge_night(EVENT, SITE, Evidence([FAR, beside], reports))
    assert found.state is OutcomeState.UNSURE
    assert [said.weight for said in found.accounts] == [0.5, 0.0]


def test_a_set_aside_station_doesnt_hide_its_neighbour() -> None:
    beside = station("72507", 11)
    reports = hourly("KXAA", CLEAR_NIGHT) + hourly("72507", CLOUDY_NIGHT)
    found = judge_night(EVENT, SITE, Evidence([NEAR, beside], reports, set_aside={"KXAA": kept("is broken")}))
    assert (found.state, found.judge) == ("not_clear", "stations")


def test_an_outcome_survives_its_storage() -> None:
    found = outcome("a person: cloudy", "near station: clear", "analysis: clear")
    assert from_json(Outcome, to_json(found)) == found


def test_an_outcome_of_an_earlier_version_keeps_its_words() -> None:
    made = outcome("a person: clear", "far station: cloudy")
    row = {name: value for name, value in to_json(made).items() if not name.endswith("_phrase")}
    row["accounts"] = [
        {name: value for name, value in account.items() if not name.endswith("_phrase")}
        for account in row["accounts"]
    ]
    found = from_json(Outcome, row)
    assert (str(found.why), str(found.disagreement[0])) == (str(made.why), str(made.disagreement[0]))
    assert [str(each.why) for each in found.accounts] == [str(each.why) for each in made.accounts]


@settings(deadline=None)
@given(
    st.lists(
        st.builds(
            Account,
            judge=st.sampled_from(Judge),
            witness=st.just("x"),
            says=st.sampled_from(OutcomeState),
            why=st.just(kept("")),
            weight=st.sampled_from([0.0, 0.5, 1.0]),
            clear_parts=st.just((WINDOW,)),
        ),
        max_size=6,
    )
)
def test_the_order_of_witnesses_never_matters_and_no_model_judges(said: list[Account]) -> None:
    forward, backward = combine(EVENT, said), combine(EVENT, said[::-1])
    assert (forward.state, forward.judge) == (backward.state, backward.judge)
    assert forward.judge is not Judge.ANALYSIS
    assert (forward.judge is None) == (forward.state is OutcomeState.UNSURE)


# People


LONG_ENOUGH = Span(utc(16, 3), utc(16, 4, 30))
TOO_SHORT = Span(utc(16, 3), utc(16, 3, 40))
BEFORE_IT = Span(utc(16, 0), utc(16, 2, 20))


@pytest.mark.parametrize(
    ("report", "says", "counts"),
    [
        (person(CLEAR), "clear", True),
        (person(CLOUDY), "not_clear", True),
        (person(PARTLY), "unsure", False),
        (person(PARTLY, clear_span=LONG_ENOUGH), "clear", True),
        (person(PARTLY, clear_span=TOO_SHORT), "not_clear", True),
        (person(PARTLY, clear_span=BEFORE_IT), "not_clear", True),
        (person(CLEAR, clear_span=TOO_SHORT), "not_clear", True),
        (person(DID_NOT_GO), "unsure", False),
        (person(CLEAR, at=WINDOW.start + 59 * MINUTE), "unsure", False),
        (person(CLEAR, at=WINDOW.start + 60 * MINUTE), "clear", True),
        (person(CLEAR, at=WINDOW.end + timedelta(days=14)), "clear", True),
        (person(CLEAR, at=WINDOW.end + timedelta(days=15)), "unsure", False),
        (person(CLOUDY, toward_deg=350.0), "unsure", False),
        (person(CLOUDY, toward_deg=224.0), "not_clear", True),
        (person(CLEAR, toward_deg=134.0), "unsure", False),
    ],
    ids=[
        "clear", "cloudy", "partly", "partly, long enough", "partly, too short", "clear before the window",
        "times count for more than the word", "didn't go", "said too early", "said in time", "two weeks late",
        "too late", "looked north", "within the frame", "just outside the frame",
    ],
)  # fmt: skip
def test_a_persons_word(report: PersonReport, says: str, counts: bool) -> None:
    (said,) = accounts_of_people(EVENT, [report])
    assert (said.says, said.counts) == (says, counts)


def test_a_person_has_one_voice_their_last() -> None:
    reports = [person(CLEAR, at=MORNING), person(CLOUDY, at=MORNING + HOUR), person(CLEAR, at=MORNING - HOUR)]
    (said,) = accounts_of_people(EVENT, reports)
    assert said.says is OutcomeState.NOT_CLEAR


def test_without_an_announced_direction_every_direction_counts() -> None:
    (said,) = accounts_of_people(Event(WINDOW, HOUR), [person(CLOUDY, toward_deg=0.0)])
    assert said.says is OutcomeState.NOT_CLEAR


# Analyses


@pytest.mark.parametrize(
    ("clouds_pct", "says"),
    [
        ([5, 5, 5, 5], "clear"),
        ([30, 95, 95, 95], "clear"),
        ([31, 95, 95, 95], "not_clear"),
        ([None, 95, 95, 95], "unsure"),
        ([None, 5, 5, 5], "unsure"),
        ([5], "unsure"),
        ([], "unsure"),
    ],
    ids=[
        "clear",
        "an hour at the limit",
        "just above the limit",
        "a gap",
        "a quarter missing",
        "cut",
        "none",
    ],
)
def test_an_analysis_says_what_it_covers(clouds_pct: list[float | None], says: str) -> None:
    (said,) = accounts_of_analyses(EVENT, [analysis(clouds_pct)])
    assert said.says == says


def test_a_feed_that_rewrites_its_past_is_held_to_its_first_word() -> None:
    first, second = analysis([95] * 4), analysis([5] * 4, fetched_at=MORNING + timedelta(days=30))
    (said,) = accounts_of_analyses(EVENT, [second, first])
    assert said.says is OutcomeState.NOT_CLEAR


def test_a_forecast_is_no_analysis() -> None:
    assert accounts_of_analyses(EVENT, [analysis([5] * 4, fetched_at=WINDOW.start)]) == ()


def test_thin_high_cloud_counts_as_it_does_in_a_forecast() -> None:
    hours = Hours.of(
        HourlyWeather(WINDOW.start + i * HOUR, WINDOW.start + (i + 1) * HOUR, 45, 0, 0, 45) for i in range(4)
    )
    source = Source("archive", "Open-Meteo", "ecmwf", "ecmwf", "", "")
    thin = Forecast(source, 0, 0, None, LayerScheme.OPEN_METEO, hours)
    assert [said.says for said in accounts_of_analyses(EVENT, [thin])] == [OutcomeState.CLEAR]
