"""Forecasts over a window -> one chance: the event, gaps, ages, members, lineages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from math import nan
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.span import Span
from alerts.weather.chance import look_at_cloud
from alerts.weather.clouds import cover_as_told
from alerts.weather.forecast import Forecast, LayerScheme
from alerts.weather.hours import Hours
from alerts.weather.models import BEST_MATCH_LINEAGE
from alerts.weather.outlook import Outlook
from alerts.weather.skill import chance_of, effective_voices, evidence, usual_log_odds
from alerts.weather.source_chance import EventQuery
from tests.unit.alerts.judging.values import (
    HOUR,
    MINUTE,
    NOON,
    UNHURRIED,
    chance_by,
    fine_hour,
    forecast,
    source,
    utc,
)

NIGHT = Span(utc(16, 2), utc(16, 6))
"""A window of four whole hours, ten hours after NOON; its middle is 0.5 days after the run."""
LEAD_DAYS = (NIGHT.middle - (NOON - HOUR)) / timedelta(days=1)


def look(
    *forecasts: Forecast,
    window: Span = NIGHT,
    shortest: timedelta = HOUR,
    now: datetime = NOON,
    is_night_of: bool = True,
) -> Outlook:
    query = EventQuery(window, shortest, now, is_night_of)
    return look_at_cloud(query, forecasts).on_trip()


def hours(clouds: Sequence[float | None], **changes: Any) -> Forecast:
    return forecast(clouds, starts=NIGHT.start, **changes)


def alone(clouds: Sequence[float | None], **changes: Any) -> float | None:
    """The chance of a single source with these clouds."""
    (answer,) = look(hours(clouds), **changes).per_source
    return answer.chance


DETERMINISTIC = {
    "clear all night": ([0, 0, 0, 0], HOUR, 0),
    "one clear hour is enough for an hour": ([90, 90, 5, 90], HOUR, 5),
    "one clear hour isn't enough for two": ([90, 80, 5, 70], 2 * HOUR, 70),
    "two clear hours apart aren't two hours": ([5, 90, 5, 90], 2 * HOUR, 90),
    "the worst hour of the best stretch": ([40, 10, 25, 60], 2 * HOUR, 25),
    "half an hour fits inside one": ([90, 20, 90, 90], HOUR / 2, 20),
    "ninety minutes touch two hours at least": ([90, 10, 30, 90], 1.5 * HOUR, 30),
    "no time at all still is a moment": ([90, 90, 15, 90], timedelta(0), 15),
}


@pytest.mark.parametrize(("clouds", "shortest", "least"), DETERMINISTIC.values(), ids=DETERMINISTIC.keys())
def test_a_single_run_counts_by_the_worst_hour_of_its_best_stretch(
    clouds: list[float], shortest: timedelta, least: float
) -> None:
    (answer,) = look(hours(clouds), shortest=shortest).per_source
    assert answer.least_cloud_pct == least
    expected = chance_by(least, lead_days=LEAD_DAYS, shortest_h=shortest / HOUR)
    assert answer.chance == pytest.approx(expected, abs=0.006)


def test_the_lead_counts_from_the_run_s_issue() -> None:
    old = hours([0] * 4, of=source(issued_at=NOON - 11 * HOUR))
    (answer,) = look(old, is_night_of=False).per_source
    assert answer.chance == pytest.approx(chance_by(0, lead_days=LEAD_DAYS + 10 / 24), abs=0.006)
    assert answer.chance < chance_by(0, lead_days=LEAD_DAYS)


LAYERS = {
    "total only": ((50, None, None, None), LayerScheme.OPEN_METEO, 50),
    "a layer missing": ((50, 0, None, 50), LayerScheme.OPEN_METEO, 50),
    "a feed without layers": ((50, 0, 0, 50), LayerScheme.NONE, 50),
    "high only": ((50, 0, 0, 50), LayerScheme.OPEN_METEO, 30),
    "high over low": ((80, 40, 0, 60), LayerScheme.MET_NORWAY, 64),
    "low and mid side by side": ((90, 50, 40, 100), LayerScheme.MET_NORWAY, 90),
    "low only": ((50, 50, 0, 0), LayerScheme.OPEN_METEO, 50),
    "no total": ((None, 10, 10, 10), LayerScheme.OPEN_METEO, None),
    "total below its layers": ((20, 30, 0, 50), LayerScheme.OPEN_METEO, 20),
}


@pytest.mark.parametrize(("cloud", "scheme", "counts"), LAYERS.values(), ids=LAYERS.keys())
def test_thin_high_cloud_counts_less_where_layers_are_known(
    cloud: tuple[float | None, ...], scheme: LayerScheme, counts: float | None
) -> None:
    names = ("cloud_total_pct", "cloud_low_pct", "cloud_mid_pct", "cloud_high_pct")
    hour = fine_hour(NOON, **dict(zip(names, cloud, strict=True)))
    plan_pct = cover_as_told(Hours.of([hour]), scheme).plan_pct[0]
    assert plan_pct == pytest.approx(nan if counts is None else counts, nan_ok=True)


percents = st.floats(0, 100)


@UNHURRIED
@given(percents, percents, percents, percents, percents)
def test_effective_cloud_grows_with_the_total_and_never_exceeds_it(
    low: float, mid: float, high: float, left: float, right: float
) -> None:
    less, more = sorted((left, right))
    layers = {"cloud_low_pct": low, "cloud_mid_pct": mid, "cloud_high_pct": high}
    hours = Hours.of(fine_hour(NOON, cloud_total_pct=total, **layers) for total in (less, more))
    found = cover_as_told(hours, LayerScheme.OPEN_METEO).plan_pct
    assert found[0] <= found[1] + 1e-9
    assert 0.6 * more - 1e-9 <= found[1] <= more


# Members
def members(*rows: Sequence[float | None], **changes: Any) -> Forecast:
    return forecast([None] * len(rows[0]), starts=NIGHT.start, members=rows, **changes)


CLOUDY_TO_CLEAR, CLEAR_TO_CLOUDY = [90, 90, 0, 0], [0, 0, 90, 90]
MEMBERS = {
    "all clear": ([[0] * 4] * 4, 2 * HOUR, [0, 0, 0, 0]),
    "none clear": ([[90] * 4] * 4, 2 * HOUR, [90, 90, 90, 90]),
    "each at its own time": ([CLOUDY_TO_CLEAR, CLEAR_TO_CLOUDY] * 2, 2 * HOUR, [0, 0, 0, 0]),
    "each only half the time": ([CLOUDY_TO_CLEAR, CLEAR_TO_CLOUDY] * 2, 3 * HOUR, [90, 90, 90, 90]),
    "two of four": ([CLOUDY_TO_CLEAR, CLEAR_TO_CLOUDY, [90] * 4, [31] * 4], 2 * HOUR, [0, 0, 90, 31]),
    "a missing hour isn't clear": ([[0, None, 0, 0], [0] * 4, [0] * 4, [0] * 4], 3 * HOUR, [100, 0, 0, 0]),
}


@pytest.mark.parametrize(("rows", "shortest", "least"), MEMBERS.values(), ids=MEMBERS.keys())
def test_each_member_counts_as_a_run_does_joint_over_the_hours(
    rows: list[list[float | None]], shortest: timedelta, least: list[float]
) -> None:
    (answer,) = look(members(*rows), shortest=shortest).per_source
    assert answer.members == 4
    expected = chance_by(*least, lead_days=LEAD_DAYS, shortest_h=shortest / HOUR)
    assert answer.chance == pytest.approx(expected, abs=0.006)


def test_a_run_is_an_ensemble_of_one() -> None:
    """The same totals say the same as a run and as its only member."""
    clouds = [40, 12, 25, 60]
    run, ensemble = look(forecast(clouds, starts=NIGHT.start)), look(members(clouds))
    assert run.chance_pct == ensemble.chance_pct
    assert run.best == ensemble.best


SKIES = {
    "a quarter of low cloud": {"cloud_total_pct": 25.0, "cloud_low_pct": 25.0},
    "cirrus over nearly half": {"cloud_total_pct": 45.0, "cloud_high_pct": 45.0},
    "cirrus over broken low cloud": {"cloud_total_pct": 60.0, "cloud_low_pct": 20.0, "cloud_high_pct": 50.0},
}


@pytest.mark.parametrize("sky", SKIES.values(), ids=SKIES.keys())
def test_one_sky_says_the_same_in_three_forms(sky: dict[str, float]) -> None:
    """As a run with layers, as the ensemble's totals beside it, and as the total alone that another feed
    gives."""
    layers = tuple(fine_hour(NIGHT.start + k * HOUR, **sky) for k in range(4))
    run = replace(forecast([0] * 4, starts=NIGHT.start, of=source("icon")), hours=Hours.of(layers))
    run = replace(run, layer_scheme=LayerScheme.OPEN_METEO)
    total = [sky["cloud_total_pct"]] * 4
    seen = look(
        run,
        members(total, of=source("gfs")),
        hours(total, of=source("nws", "National Weather Service")),
    )
    assert seen.per_source[0].least_cloud_pct is not None
    for answer in seen.per_source:
        assert answer.least_cloud_pct == pytest.approx(seen.per_source[0].least_cloud_pct, abs=0.11)
        assert answer.chance == pytest.approx(seen.per_source[0].chance, abs=0.011)


def test_agreement_is_surer_than_each_of_its_parts() -> None:
    alone, together = (
        look(*(hours([0] * 4, of=source(name)) for name in names)).chance_pct
        for names in (["icon"], ["icon", "gfs", "ecmwf"])
    )
    assert alone is not None
    assert together is not None
    assert together > alone
    cloudy_alone, cloudy_together = (
        look(*(hours([100] * 4, of=source(name)) for name in names)).chance_pct
        for names in (["icon"], ["icon", "gfs", "ecmwf"])
    )
    assert cloudy_alone is not None
    assert cloudy_together is not None
    assert cloudy_together < cloudy_alone


def test_a_sky_that_all_call_clear_on_the_day_is_told_as_nearly_sure_and_never_as_certain() -> None:
    """Three runs and two ensembles without a cloud, three hours before: stated 78 % until 2026, came .86 to
    .92."""
    window = Span(NOON + 3 * HOUR, NOON + 7 * HOUR)
    clear = [[0.0] * 4] * 41
    runs = [forecast([0] * 4, starts=window.start, of=source(name)) for name in ("icon", "gfs", "ecmwf")]
    told = [
        forecast([None] * 4, starts=window.start, members=clear, of=source(name)) for name in ("icon", "gfs")
    ]
    seen = look(*runs, *told, window=window)
    assert seen.chance_pct is not None
    assert 92 <= seen.chance_pct <= 98


def test_hours_that_are_clear_in_turns_are_no_clear_night() -> None:
    """Each hour is clear in half of the members, and no member is clear for two hours together."""
    rows = [[0, 90, 0, 90], [90, 0, 90, 0]] * 5
    (answer,) = look(members(*rows), shortest=2 * HOUR).per_source
    expected = chance_by(*[90] * 10, lead_days=LEAD_DAYS, shortest_h=2)
    assert answer.chance == pytest.approx(expected, abs=0.006)


def test_members_that_lack_too_much_say_nothing() -> None:
    rows: list[list[float | None]] = [[0, 0, None, None], [0, 0, 0, 0]]
    (answer,) = look(members(*rows)).per_source
    assert (answer.chance, str(answer.why_not)) == (None, "25 % of the window is unknown")


# Gaps
def test_more_than_a_fifth_unknown_is_no_answer() -> None:
    (answer,) = look(hours([0, 0, None, 0])).per_source
    assert answer.chance is None
    assert str(answer.why_not) == "25 % of the window is unknown"


def test_a_fifth_unknown_still_answers() -> None:
    window = Span(NIGHT.start, NIGHT.start + 5 * HOUR)
    (answer,) = look(hours([0, None, 0, 0, 0]), window=window).per_source
    assert answer.chance is not None
    assert answer.least_cloud_pct == 0


def test_a_stretch_never_reaches_over_missing_time() -> None:
    window = Span(NIGHT.start, NIGHT.start + 5 * HOUR)
    (answer,) = look(hours([0, 0, None, 0, 0]), window=window, shortest=3 * HOUR).per_source
    assert answer.least_cloud_pct is None
    lead_days = (window.middle - (NOON - HOUR)) / timedelta(days=1)
    expected = chance_by(100, lead_days=lead_days, window_h=5, shortest_h=3)
    assert answer.chance == pytest.approx(expected, abs=0.006)


def test_a_forecast_that_ends_before_the_window_says_so() -> None:
    seen = look(forecast([0, 0], starts=NOON))
    assert str(seen.per_source[0].why_not) == "doesn't reach this window"
    assert not seen.cloud_known
    assert not seen.wind_known


# Ages
AGES = {
    "fresh": ({"issued_at": NOON - HOUR}, True, ""),
    "6 h old on the day": ({"issued_at": NOON - 6 * HOUR}, True, ""),
    "older than 6 h on the day": (
        {"issued_at": NOON - 6.5 * HOUR},
        True,
        "its run is 6.5 h old, more than 6 h",
    ),
    "12 h old days ahead": ({"issued_at": NOON - 12 * HOUR}, False, ""),
    "older than 12 h": ({"issued_at": NOON - 14 * HOUR}, False, "its run is 14 h old, more than 12 h"),
    "issue unknown, fetched now": ({"issued_at": None, "fetched_at": NOON}, True, ""),
    "issue unknown, fetched long ago": (
        {"issued_at": None, "fetched_at": NOON - 20 * HOUR},
        False,
        "its run is 20 h old, more than 12 h",
    ),
    "the same values for a day": (
        {"issued_at": None, "fetched_at": NOON, "unchanged_since": NOON - 24 * HOUR},
        False,
        "its run is 24 h old, more than 12 h",
    ),
    "age unknown": ({"issued_at": None, "fetched_at": None}, True, ""),
    "issued later": ({"issued_at": NOON + MINUTE}, True, "issued after the moment we judge for"),
    "fetched later": (
        {"issued_at": None, "fetched_at": NOON + MINUTE},
        True,
        "issued after the moment we judge for",
    ),
}


@pytest.mark.parametrize(("times", "is_night_of", "why_not"), AGES.values(), ids=AGES.keys())
def test_old_runs_and_runs_from_the_future_are_left_out_and_named(
    times: dict[str, datetime | None], is_night_of: bool, why_not: str
) -> None:
    seen = look(hours([0] * 4, of=source(**times)), is_night_of=is_night_of)
    assert str(seen.per_source[0].why_not or "") == why_not
    assert (seen.chance_pct is None) is bool(why_not)
    assert any(why_not in str(note) for note in seen.notes) or not why_not
    assert seen.wind_known is not bool(why_not)


def test_an_unknown_age_is_said() -> None:
    seen = look(hours([0] * 4, of=source(issued_at=None, fetched_at=None)))
    assert tuple(map(str, seen.notes)) == ("ecmwf model: age unknown",)


# Together
def test_lineages_weigh_the_same_however_many_models_they_have() -> None:
    seen = look(
        hours([0] * 4, of=source("icon")),
        hours([30] * 4, of=source("icon", "MET Norway")),
        hours([100] * 4, of=source("ecmwf")),
    )
    clear, half, cloudy = (float(evidence(pct, LEAD_DAYS, 4, 1)) for pct in (0, 30, 100))
    pooled = ((clear + half) / 2 + cloudy) / 2 * effective_voices(2)
    assert seen.chance_pct == round(100 * float(chance_of(usual_log_odds(4, 1) + pooled)))
    assert seen.lineages == ("ecmwf", "icon")
    assert seen.providers == ("MET Norway", "Open-Meteo")
    assert seen.agreement == (2, 3)
    assert seen.spread_pct == tuple(round(100 * chance_by(each, lead_days=LEAD_DAYS)) for each in (100, 0))


def test_a_blend_is_nobody_s_second_opinion() -> None:
    seen = look(
        hours([0] * 4, of=source("ecmwf", "MET Norway")), hours([100] * 4, of=source(BEST_MATCH_LINEAGE))
    )
    assert seen.lineages == ("ecmwf",)
    assert seen.providers == ("MET Norway",)
    assert seen.chance_pct == round(100 * chance_by(0, lead_days=LEAD_DAYS))
    assert seen.agreement == (1, 2)


def test_one_source_down_leaves_the_others() -> None:
    seen = look(hours([0] * 4), hours([0] * 4, of=source("gfs", issued_at=NOON - 20 * HOUR)))
    assert seen.lineages == ("ecmwf",)
    assert [entry.lineage for entry in seen.sources] == ["ecmwf"]
    assert "gfs model not used: its run is 20 h old" in str(seen.notes[0])


def test_no_forecast_at_all_knows_nothing() -> None:
    seen = look()
    assert (seen.chance_pct, seen.spread_pct, seen.best, seen.newest_issue) == (None, None, None, None)
    assert (seen.cloud_known, seen.wind_known, seen.precipitation_known) == (False, False, False)


def test_essentials_are_known_each_by_itself() -> None:
    seen = look(hours([0] * 4, wind_ms=None, precipitation_mm=None, precipitation_probability_pct=None))
    assert (seen.cloud_known, seen.wind_known, seen.precipitation_known) == (True, False, False)


def test_the_best_stretch_suits_all_sources_together() -> None:
    seen = look(
        hours([0, 0, 25, 90], of=source("icon")), hours([90, 0, 0, 0], of=source("gfs")), shortest=HOUR
    )
    assert seen.best == Span(NIGHT.start + HOUR, NIGHT.start + 2 * HOUR)


def test_the_best_stretch_of_an_ensemble_is_where_most_members_are_clear() -> None:
    seen = look(members([0, 90, 90, 90], [90, 90, 0, 90], [90, 90, 0, 90]))
    assert seen.best == Span(NIGHT.start + 2 * HOUR, NIGHT.start + 3 * HOUR)


def test_the_best_stretch_is_said_as_long_as_it_is_where_the_window_has_room() -> None:
    crooked = timedelta(seconds=20)
    roomy = look(hours([5, 90, 90, 90]), window=Span(NIGHT.start + crooked, NIGHT.end), shortest=HOUR / 2)
    assert roomy.best == Span(NIGHT.start + MINUTE, NIGHT.start + 31 * MINUTE)
    tight = Span(NIGHT.start + crooked, NIGHT.start + crooked + HOUR)
    assert look(hours([5, 5, 90, 90]), window=tight).best == tight


def test_the_newest_issue_is_that_of_a_source_that_answered() -> None:
    seen = look(
        hours([0] * 4, of=source(issued_at=NOON - 2 * HOUR)),
        hours([None] * 4, of=source("gfs", issued_at=NOON - HOUR)),
    )
    assert seen.newest_issue == NOON - 2 * HOUR


def test_a_window_shorter_than_the_event_has_no_chance() -> None:
    seen = look(hours([0] * 4), shortest=5 * HOUR)
    assert seen.chance_pct == 0
    assert "the window is shorter than the time asked for, so the chance is nil" in map(str, seen.notes)
    assert look(members([0] * 4), shortest=5 * HOUR).chance_pct == 0


def test_a_running_window_is_judged_on_what_is_left() -> None:
    now = NIGHT.start + 2 * HOUR
    fresh = hours([None, None, 80, 80], of=source(issued_at=now))
    seen = look(fresh, now=now)
    assert seen.per_source[0].least_cloud_pct == 80
    assert seen.window == NIGHT
    assert "judged on what is left of the window" in map(str, seen.notes)


def test_a_window_that_is_over_is_judged_whole() -> None:
    now = NIGHT.end
    seen = look(hours([0] * 4, of=source(issued_at=now)), now=now)
    assert seen.cloud_known
    assert not look(hours([None, None, None, 0], of=source(issued_at=now)), now=now).cloud_known


def test_a_window_with_too_little_left_is_judged_whole() -> None:
    now = NIGHT.end - 20 * MINUTE
    seen = look(hours([0, 90, 90, 90], of=source(issued_at=now)), now=now)
    assert seen.per_source[0].least_cloud_pct == 0


# Whatever the clouds
cloud = st.one_of(st.none(), percents)
clouds = st.lists(cloud, min_size=4, max_size=4)
lengths = st.integers(1, 240).map(lambda minutes: minutes * MINUTE)


@UNHURRIED
@given(clouds, st.integers(0, 3), st.floats(0, 60), lengths)
def test_more_cloud_in_any_hour_never_raises_the_chance(
    row: list[float | None], hour: int, more: float, shortest: timedelta
) -> None:
    before = alone(row, shortest=shortest)
    darker = [value if k != hour or value is None else min(100, value + more) for k, value in enumerate(row)]
    after = alone(darker, shortest=shortest)
    assert (before is None) is (after is None)
    assert before is None or after is None or after <= before


@UNHURRIED
@given(clouds, st.integers(0, 3), lengths)
def test_a_missing_hour_never_raises_the_chance(
    row: list[float | None], gone: int, shortest: timedelta
) -> None:
    holed = [None if k == gone else value for k, value in enumerate(row)]
    before, after = alone(row, shortest=shortest), alone(holed, shortest=shortest)
    assert after is None or (before is not None and after <= before)


@UNHURRIED
@given(st.lists(clouds, min_size=1, max_size=6), st.integers(0, 5), st.integers(0, 3), lengths)
def test_a_missing_hour_of_a_member_never_raises_the_chance(
    rows: list[list[float | None]], member: int, gone: int, shortest: timedelta
) -> None:
    holed = [
        [None if (i, k) == (member, gone) else value for k, value in enumerate(row)]
        for i, row in enumerate(rows)
    ]
    before, after = (look(members(*some), shortest=shortest).per_source[0].chance for some in (rows, holed))
    assert after is None or (before is not None and after <= before)


@UNHURRIED
@given(clouds, lengths, st.integers(1, 239))
def test_asking_for_more_time_never_raises_the_chance(
    row: list[float | None], shortest: timedelta, minutes: int
) -> None:
    before = alone(row, shortest=shortest)
    after = alone(row, shortest=shortest + minutes * MINUTE)
    assert after is None or (before is not None and after <= before)


@UNHURRIED
@given(st.lists(st.tuples(st.sampled_from(["ecmwf", "icon", "gfs"]), clouds), max_size=6), lengths)
def test_the_chance_leaves_the_spread_of_its_sources_only_away_from_what_is_usual(
    answers: list[tuple[str, list[float | None]]], shortest: timedelta
) -> None:
    seen = look(*(hours(row, of=source(lineage)) for lineage, row in answers), shortest=shortest)
    assert (seen.chance_pct is None) is (not seen.cloud_known) is (seen.spread_pct is None)
    if seen.chance_pct is not None and seen.spread_pct is not None:
        assert seen.usual_pct is not None
        least, most = seen.spread_pct
        if seen.chance_pct > most + 1:
            assert seen.chance_pct >= seen.usual_pct
        if seen.chance_pct < least - 1:
            assert seen.chance_pct <= seen.usual_pct
    assert set(seen.lineages) == {entry.lineage for entry in seen.sources}


def test_the_order_of_sources_does_not_matter() -> None:
    answers = [hours([0, 40, 20, 90], of=source(name)) for name in ("ecmwf", "icon", "gfs")]
    forward, backward = look(*answers), look(*reversed(answers))
    assert replace(forward, per_source=()) == replace(backward, per_source=())


# Once the window has begun
def test_what_has_passed_of_a_window_counts_for_the_whole_of_it() -> None:
    """Two hours were clear and the rest is lost: a go that was told came true."""
    now = NIGHT.start + 2 * HOUR
    sources = [source(name, issued_at=NIGHT.start) for name in ("icon", "gfs")]
    seen = look(*(hours([0, 0, 100, 100], of=of) for of in sources), now=now)
    assert seen.chance_pct is not None
    assert seen.whole_pct is not None
    assert seen.chance_pct < 20
    assert seen.whole_pct > 85


def test_before_it_begins_nothing_is_said_of_a_whole_window() -> None:
    assert look(hours([0] * 4)).whole_pct is None


def test_the_outlook_says_what_is_usual_for_such_a_window() -> None:
    assert look(hours([0] * 4)).usual_pct == round(100 * float(chance_of(usual_log_odds(4, 1))))
