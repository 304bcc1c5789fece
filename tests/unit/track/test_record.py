"""Records, their words, and the ledger of regret."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from alerts.errors import BadInput
from alerts.rules import Reason, Result
from alerts.track.calibration import prior_map
from alerts.track.climatology import climatology
from alerts.track.evidence import Event, Judge, OutcomeState
from alerts.track.leads import LEADS, Lead, Stated, moment_of, standing_at
from alerts.track.outcome import Outcome
from alerts.track.pairs import JudgedNight, Pairs, build_pairs
from alerts.track.record import (
    Record,
    build_record,
    records_by_lead,
    records_by_lineage,
    records_by_site,
)
from alerts.track.regret import RegretRow, least_regret, regret_ledger
from alerts.track.statements import build_stated, lineage_chances, member_share
from alerts.track.words import (
    NO_RECORD,
    forecasts_like,
    say_calls,
    say_judges,
    say_lead,
    say_like,
    say_map,
    say_regret,
    say_share,
    say_skill,
    say_worth,
)
from alerts.weather.outlook import Outlook, SourceChance
from alerts.weather.record import Source
from service.store.codec import from_json, to_json

from .files import HOUR, NIGHT, WINDOW, pairs

# Statements and pairs


def stated(hours_before: float, chance: float | None = 0.7, **changes: object) -> Stated:
    at = WINDOW.start - timedelta(hours=hours_before)
    made = Stated(at, at, chance, chance, told_go=False)
    return replace(made, **changes)  # type: ignore[arg-type]


def test_the_newest_confirmed_statement_stands() -> None:
    first, second = stated(30, 0.4), stated(13, 0.8)
    followed = replace(first, confirmed_at=WINDOW.start - timedelta(hours=14))
    statements = [second, followed]
    assert standing_at(statements, moment_of(Lead.MORNING, WINDOW.start)) is second
    assert standing_at(statements, moment_of(Lead.DAY_1, WINDOW.start)) is followed
    assert standing_at(statements, moment_of(Lead.DAY_2, WINDOW.start)) is None


@pytest.mark.parametrize(("hours_before", "stands"), [(29.9, True), (30.1, False)])
def test_a_statement_that_nobody_confirmed_no_longer_stands(hours_before: float, stands: bool) -> None:
    moment = moment_of(Lead.DAY_1, WINDOW.start)
    assert (standing_at([stated(hours_before)], moment) is not None) is stands


def judged(state: OutcomeState, statements: list[Stated], site: int = 1) -> JudgedNight:
    judge = None if state is OutcomeState.UNSURE else Judge.PEOPLE
    outcome = Outcome(Event(WINDOW, HOUR), state, judge, "", ())
    return JudgedNight(site, NIGHT, statements, outcome)


def test_each_lead_at_which_a_chance_stood_makes_a_pair() -> None:
    days_ahead = stated(121, 0.5, confirmed_at=WINDOW.start - timedelta(hours=60))
    on_the_day = stated(13, 0.8, told_go=True, lineages=(("gfs", 0.9),))
    made = build_pairs(
        [
            judged(OutcomeState.CLEAR, [days_ahead, on_the_day]),
            judged(OutcomeState.UNSURE, [on_the_day]),
            judged(OutcomeState.NOT_CLEAR, [stated(13, None)]),
            judged(OutcomeState.NOT_CLEAR, [stated(13, 0.1)], site=2),
        ]
    )
    leads = [LEADS[i].value for i in made.lead]
    assert leads == ["morning", "3_days", "5_days", "morning"]
    assert made.stated.tolist() == [0.8, 0.5, 0.5, 0.1]
    assert made.clear.tolist() == [True, True, True, False]
    assert (made.site.tolist(), made.told_go.tolist()) == ([1, 1, 1, 2], [True, False, False, False])
    assert np.isnan(made.lineages["gfs"]).tolist() == [False, True, True, True]
    assert len(made.by_lineage("gfs")) == 1


def test_a_confirmation_lasts_until_the_evening() -> None:
    held = stated(30, 0.6, confirmed_at=WINDOW.start - timedelta(hours=4))
    made = build_pairs([judged(OutcomeState.CLEAR, [held])])
    assert [LEADS[i].value for i in made.lead] == ["evening", "morning", "1_day"]


def test_months_and_years_come_from_the_nights_name() -> None:
    two = pairs([0.5, 0.5], [1, 0], nights=[0, 58])
    assert (two.months.tolist(), two.years.tolist()) == ([1, 2], [2025, 2025])


def reason(rule: str, result: Result) -> Reason:
    return Reason(rule, result, "")


PASSES = [reason("chance", Result.PASS), reason("sources", Result.PASS), reason("day", Result.PASS)]


@pytest.mark.parametrize(
    ("reasons", "told_go", "is_barred"),
    [
        (PASSES, True, False),
        ([*PASSES[:2], reason("day", Result.WARN)], True, False),
        ([reason("chance", Result.FAIL), *PASSES[1:]], False, False),
        ([*PASSES, reason("wind", Result.FAIL)], False, True),
        ([*PASSES, reason("precipitation", Result.UNKNOWN)], False, True),
        ([*PASSES, reason("gust", Result.WARN)], True, False),
        ([PASSES[0], reason("sources", Result.WARN)], False, True),
        ([*PASSES, reason("other_window", Result.FAIL)], True, False),
        ([reason("cloud", Result.UNKNOWN)], False, True),
    ],
    ids=[
        "all pass", "days ahead", "chance too low", "wind", "unknown", "a warning", "one lineage",
        "another window fails", "no forecast",
    ],
)  # fmt: skip
def test_what_a_verdict_told(reasons: list[Reason], told_go: bool, is_barred: bool) -> None:
    at = WINDOW.start
    made = build_stated(reasons, None, as_of=at, confirmed_at=at, chance_pct=71, raw_chance_pct=80)
    assert (made.told_go, made.is_barred, made.chance, made.raw_chance) == (told_go, is_barred, 0.71, 0.8)


def outlook(*entries: tuple[str, float | None, int]) -> Outlook:
    sources = tuple(
        SourceChance(Source("feed", "provider", lineage, lineage, "", ""), chance, members=members)
        for lineage, chance, members in entries
    )
    lineages = tuple(
        sorted({lineage for lineage, chance, _ in entries if chance is not None and lineage != "blend"})
    )
    return Outlook(WINDOW, 50, None, None, sources, (), True, True, True, lineages, (), None)


def test_lineages_and_members_are_read_off_an_outlook() -> None:
    seen = outlook(
        ("ecmwf", 0.8, 51), ("ecmwf", 0.6, 0), ("gfs", 0.2, 0), ("icon", None, 40), ("blend", 0.4, 9)
    )
    assert lineage_chances(seen) == (("blend", 0.4), ("ecmwf", pytest.approx(0.7)), ("gfs", 0.2))
    assert member_share(seen) == 0.25
    assert (member_share(None), lineage_chances(None)) == (0.0, ())


# Records

CHANCES = [0.9] * 14 + [0.2] * 22
CAME = [1] * 11 + [0] * 3 + [1] * 3 + [0] * 19


def test_hits_and_false_alarms_are_counted() -> None:
    calls = build_record(pairs(CHANCES, CAME)).calls
    assert (calls.told_go, calls.go_clear, calls.silent, calls.silent_clear) == (14, 11, 22, 3)
    assert say_calls(calls) == "Told go 14 times, clear 11; silent on 3 clear nights of 22."


def test_clear_nights_with_too_much_wind_are_no_misses() -> None:
    barred = [i >= 14 and i < 16 for i in range(36)]
    calls = build_record(pairs(CHANCES, CAME, is_barred=barred)).calls
    assert (calls.silent, calls.silent_clear, calls.barred_clear) == (22, 1, 2)
    assert say_calls(calls) == (
        "Told go 14 times, clear 11; silent on 1 clear night of 22. "
        "On 2 more clear nights wind or another limit spoke against going."
    )


def test_an_empty_record_is_an_answer() -> None:
    record = build_record(pairs([], []))
    assert (record.pairs, record.scores, record.reliability, record.share_range) == (0, None, (), None)
    assert say_lead(Lead.EVENING, record) == NO_RECORD
    assert list(records_by_lead(pairs([], []))) == []
    assert say_judges(record) == ""


def test_under_thirty_pairs_there_is_no_score() -> None:
    few, enough = (build_record(pairs([0.6] * n, [i % 2 for i in range(n)])) for n in (29, 30))
    assert few.scores is None
    assert say_skill(few) == "Too few nights to score yet: 29 of 30."
    assert enough.scores is not None


def test_scores_are_those_of_the_pairs() -> None:
    scores = build_record(pairs(CHANCES, CAME), reference=np.full(36, 0.4)).scores
    assert scores is not None
    brier = (11 * 0.01 + 3 * 0.81 + 3 * 0.64 + 19 * 0.04) / 36
    by_rate = (14 * 0.36 + 22 * 0.16) / 36
    assert scores.brier == pytest.approx(brier)
    assert scores.climatology_brier == pytest.approx(by_rate)
    assert scores.skill == pytest.approx(1 - brier / by_rate)
    assert scores.skill_range[0] < scores.skill < scores.skill_range[1]
    assert scores.murphy.brier == pytest.approx(brier)


def test_the_best_single_model_is_compared_on_its_own_nights() -> None:
    good, poor = np.array(CHANCES), np.full(36, 0.9)
    good[0] = np.nan
    rare = np.where(np.arange(36) < 5, np.array(CAME) * 0.98 + 0.01, np.nan)
    scores = build_record(
        pairs(
            [0.5] * 36, CAME, lineages={"good": good.tolist(), "poor": poor.tolist(), "rare": rare.tolist()}
        )
    ).scores
    assert scores is not None
    assert scores.best_model is not None
    assert scores.best_model.lineage == "good"
    assert scores.best_model.ours == pytest.approx(0.25)
    assert scores.best_model.skill == pytest.approx(1 - 0.25 / scores.best_model.brier)
    record = build_record(pairs([0.5] * 36, CAME, lineages={"good": good.tolist()}))
    assert "no better than the best single model, good" in say_skill(record)


def test_reliability_bins_say_how_far_chance_reaches() -> None:
    said = [0.7] * 20 + [0.95] * 20 + [1.0] * 5
    came = [1] * 14 + [0] * 6 + [1] * 10 + [0] * 10 + [1] * 5
    seven, nine = build_record(pairs(said, came)).reliability
    assert (seven.said, seven.cases, seven.clear) == (pytest.approx(0.7), 20, 14)
    assert (seven.low, seven.high, seven.is_outside) == (0.55, 0.85, False)
    assert (nine.cases, nine.clear, nine.is_outside) == (25, 15, True)


def test_neighbouring_nights_widen_the_bars() -> None:
    apart, in_a_row = (
        build_record(pairs([0.7] * 100, [1] * 70 + [0] * 30, nights=[step * i for i in range(100)]))
        for step in (10, 1)
    )
    assert (apart.effective_nights, in_a_row.effective_nights) == (100.0, 64.2)
    assert apart.reliability[0].high < in_a_row.reliability[0].high
    assert apart.share_range is not None
    assert in_a_row.share_range is not None
    assert apart.share_range[1] < in_a_row.share_range[1]


def test_records_come_by_lead_site_and_lineage() -> None:
    evening = pairs([0.8, 0.3, 0.6], [1, 0, 1], site=[2, 1, 2], lineages={"gfs": [0.9, float("nan"), 0.7]})
    week = replace(evening, lead=np.full(3, LEADS.index(Lead.DAY_5)))
    both = joined(evening, week)
    assert [(lead.value, record.pairs) for lead, record in records_by_lead(both)] == [
        ("evening", 3),
        ("5_days", 3),
    ]
    assert [(site, record.pairs) for site, record in records_by_site(both, Lead.EVENING)] == [(1, 1), (2, 2)]
    assert [(name, record.pairs) for name, record in records_by_lineage(both, Lead.DAY_5)] == [("gfs", 2)]


def joined(one: Pairs, other: Pairs) -> Pairs:
    names = [name for name in Pairs.__dataclass_fields__ if name != "lineages"]
    columns = {name: np.concatenate([getattr(one, name), getattr(other, name)]) for name in names}
    lineages = {name: np.concatenate([one.lineages[name], other.lineages[name]]) for name in one.lineages}
    return Pairs(**columns, lineages=lineages)


def test_judges_are_named_beside_the_record() -> None:
    record = build_record(pairs([0.5] * 4, [1, 0, 1, 0], judge=0), unsure=3)
    assert record.judges == {Judge.PEOPLE: 4, Judge.STATIONS: 0, Judge.ANALYSIS: 0}
    assert say_judges(record) == "Judged by people's reports 4 times; 3 nights nobody could settle."
    assert say_worth(record) == "4 nights, worth 4 independent ones: neighbouring nights share their weather."


# Climatology


def test_climatology_never_knows_its_own_year() -> None:
    one_year = pairs([0.5] * 20, [1] * 20, nights=list(range(20)))
    assert climatology(one_year) == pytest.approx([0.44] * 20)
    assert climatology(one_year, {1: 0.6}) == pytest.approx([0.6] * 20)


def test_climatology_draws_the_sites_month_toward_the_rate_of_all() -> None:
    """A clear January last year at site 1 says something of this January there, less elsewhere."""
    nights = [*range(20), 365]
    clear = [1] * 20 + [0]
    here = climatology(pairs([0.5] * 21, clear, nights=nights))[-1]
    there = climatology(pairs([0.5] * 21, clear, nights=nights, site=[1] * 20 + [2]))[-1]
    of_all = (20 * 0.44 + 20) / 40
    of_month = (20 * of_all + 20) / 40
    assert there == pytest.approx(of_month)
    assert here == pytest.approx((20 * of_month + 20) / 40)


def test_climatology_counts_a_night_once_whatever_its_leads() -> None:
    evening = pairs([0.5] * 21, [1] * 20 + [0], nights=[*range(20), 365])
    both = joined(evening, replace(evening, lead=np.full(21, 3)))
    assert climatology(both)[:21].tolist() == climatology(evening).tolist()


# Words


@pytest.mark.parametrize(
    ("clear", "cases", "text"),
    [(9, 12, "9 of 12"), (22, 29, "22 of 29"), (22, 30, "73 % (59–84 %)"), (70, 100, "70 % (62–77 %)")],
)
def test_few_cases_are_told_as_fractions(clear: int, cases: int, text: str) -> None:
    assert say_share(clear, cases) == text


def test_nights_that_hang_together_widen_what_is_told() -> None:
    assert say_share(70, 100, 64.0) == "70 % (60–78 %)"


def test_a_briefing_tells_of_forecasts_like_it() -> None:
    past = pairs([0.7] * 12 + [0.2] * 4, [1] * 9 + [0] * 3 + [0] * 4)
    like = forecasts_like(past, 1, Lead.EVENING, 0.75)
    assert say_like(like) == "Forecasts like this came clear 9 of 12 times here."
    assert say_like(forecasts_like(past, 2, Lead.EVENING, 0.75)) == (
        "Forecasts like this came clear 9 of 12 times over all sites."
    )
    assert say_like(forecasts_like(past, 1, Lead.DAY_3, 0.75)) == NO_RECORD
    many = pairs([0.7] * 60, [1] * 45 + [0] * 15)
    assert say_like(forecasts_like(many, 1, Lead.EVENING, 0.7)) == (
        "Of 60 forecasts like this here, 75 % (65–83 %) came clear."
    )


def test_no_word_about_few_nights_holds_a_percentage() -> None:
    record = build_record(pairs([0.8] * 29, [i % 2 for i in range(29)]), unsure=1)
    like = forecasts_like(pairs([0.8] * 29, [1] * 29), 1, Lead.EVENING, 0.8)
    said = [say_calls(record.calls), say_judges(record), say_worth(record), say_skill(record), say_like(like)]
    assert not any("%" in text for text in said)


def test_a_lead_of_days_leans_where_the_day_itself_tells() -> None:
    record = build_record(pairs(CHANCES, CAME))
    assert say_lead(Lead.EVENING, record).startswith("In the evening: told go 14 times")
    assert say_lead(Lead.DAY_3, record).startswith("Three days before: leaned to go 14 times")
    never = build_record(pairs([0.1], [0]))
    assert say_lead(Lead.DAY_1, never) == "A day before: never leaned to go; silent on 0 clear nights of 1."


def test_a_map_is_told_in_a_line() -> None:
    assert say_map(prior_map(Lead.DAY_1, 12, 9)) == (
        "A day before: the starting rule; only 12 pairs from 9 nights yet."
    )


@pytest.mark.parametrize(
    ("said", "came", "word"),
    [
        ([0.9] * 20 + [0.1] * 20, [1] * 20 + [0] * 20, "better"),
        ([0.9] * 20 + [0.1] * 20, [0] * 20 + [1] * 20, "worse"),
        ([0.6, 0.3] * 20, [1, 1, 0, 0] * 10, "neither surely better nor surely worse"),
    ],
    ids=["right", "wrong way round", "no idea"],
)
def test_skill_is_told_with_its_range(said: list[float], came: list[int], word: str) -> None:
    assert f"The chances were {word} than" in say_skill(build_record(pairs(said, came)))


# Regret


def row(limit_pct: int, gone: int, gone_clear: int, missed: int = 0) -> RegretRow:
    return RegretRow(limit_pct, gone, gone_clear, missed)


@pytest.mark.parametrize(
    ("now", "other", "text"),
    [
        (row(70, 4, 3), row(60, 9, 5), "At 60 % you'd have gone 5 more times, 2 of them clear."),
        (row(70, 4, 3), row(60, 5, 3), "At 60 % you'd have gone 1 more time, not a clear one."),
        (row(70, 4, 3), row(60, 5, 4), "At 60 % you'd have gone 1 more time, a clear one."),
        (row(70, 9, 5), row(80, 4, 3), "At 80 % you'd have gone 5 fewer times, 2 of them clear."),
        (row(70, 9, 5), row(80, 9, 5), "At 80 % you'd have gone just as often."),
    ],
)
def test_another_limit_is_told_in_a_sentence(now: RegretRow, other: RegretRow, text: str) -> None:
    assert say_regret(now, other) == text


def test_the_ledger_counts_drives_and_missed_nights() -> None:
    said = [0.9, 0.9, 0.72, 0.65, 0.6, 0.3, 0.95]
    came = [1, 0, 1, 1, 0, 1, 1]
    barred = [False] * 6 + [True]
    ledger = regret_ledger(pairs(said, came, is_barred=barred), (60, 70, 90))
    assert ledger == (row(60, 5, 3, 1), row(70, 3, 2, 2), row(90, 2, 1, 3))
    assert [each.wasted for each in ledger] == [2, 1, 1]


def test_a_limit_counts_from_the_chance_that_people_saw() -> None:
    assert regret_ledger(pairs([0.695, 0.694], [1, 1]), (70,))[0].gone == 1


@pytest.mark.parametrize(
    ("price", "limit_pct"), [(0.25, 60), (1.0, 70), (9.0, 90)], ids=["cheap drives", "dear", "dearer"]
)
def test_people_find_the_limit_for_their_own_price(price: float, limit_pct: int) -> None:
    ledger = (row(60, 20, 12, 0), row(70, 12, 9, 3), row(90, 4, 4, 8))
    assert least_regret(ledger, price).limit_pct == limit_pct


@pytest.mark.parametrize("price", [0.0, -1.0])
def test_a_price_must_be_above_nothing(price: float) -> None:
    with pytest.raises(BadInput):
        least_regret((row(60, 1, 1),), price)


@pytest.mark.parametrize("limit_pct", [-1, 101])
def test_a_limit_is_a_percentage(limit_pct: int) -> None:
    with pytest.raises(BadInput):
        regret_ledger(pairs([0.5], [1]), (limit_pct,))


def test_honest_chances_make_the_best_limit_follow_the_price() -> None:
    """With chances that mean what they say, a drive that costs as much as 1.5 clear nights pays from 60 %."""
    rng = np.random.default_rng(3)
    said = np.round(rng.uniform(0, 1, 40_000), 2)
    ledger = regret_ledger(pairs(said.tolist(), (rng.uniform(0, 1, 40_000) < said).tolist()))
    assert least_regret(ledger, 1.5).limit_pct == 60


def test_a_record_is_made_of_plain_values() -> None:
    record = build_record(pairs(CHANCES, CAME))
    assert from_json(Record, to_json(record)) == record
