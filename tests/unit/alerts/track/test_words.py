"""The record in plain words, and the ledger of regret."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from alerts.common.errors import BadInput
from alerts.common.phrases import Reader, kept, say
from alerts.common.span import Span
from alerts.track.calibration.model import Lead, prior_map
from alerts.track.observations.evidence import Event, Judge, OutcomeState
from alerts.track.observations.outcome import Outcome
from alerts.track.record.summary import Record, RegretRow, build_record, regret_ledger
from alerts.track.record.text import (
    forecasts_like,
    outcome_lines,
    say_first,
    say_judges,
    say_lead,
    say_like,
    say_map,
    say_regret,
    say_share,
    say_skill,
    say_worth,
)
from service.store.json_values import from_json, to_json
from tests.unit.alerts.track.files import FOURTEEN_CAME, FOURTEEN_GOES, pairs

EVENT = Event(
    Span(datetime(2027, 7, 3, 21, tzinfo=UTC), datetime(2027, 7, 4, 1, tzinfo=UTC)), timedelta(minutes=30)
)


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
    assert say_like(forecasts_like(past, 1, Lead.DAY_3, 0.75)) == say("track.no-record")
    many = pairs([0.7] * 60, [1] * 45 + [0] * 15)
    assert say_like(forecasts_like(many, 1, Lead.EVENING, 0.7)) == (
        "Of 60 forecasts like this here, 75 % (65–83 %) came clear."
    )


def test_no_word_about_few_nights_holds_a_percentage() -> None:
    record = build_record(pairs([0.8] * 29, [i % 2 for i in range(29)]), unsure=1)
    like = forecasts_like(pairs([0.8] * 29, [1] * 29), 1, Lead.EVENING, 0.8)
    said = [
        say_first(Lead.EVENING, record.calls),
        say_judges(record),
        say_worth(record),
        say_skill(record),
        say_like(like),
    ]
    assert not any("%" in text for text in said)


def test_a_lead_of_days_leans_where_the_day_itself_tells() -> None:
    record = build_record(pairs(FOURTEEN_GOES, FOURTEEN_CAME))
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


@pytest.mark.parametrize("limit_pct", [-1, 101])
def test_a_limit_is_a_percentage(limit_pct: int) -> None:
    with pytest.raises(BadInput):
        regret_ledger(pairs([0.5], [1]), (limit_pct,))


def test_honest_chances_make_the_best_limit_follow_the_price() -> None:
    """With chances that mean what they say, a drive that costs as much as 1.5 clear nights pays from 60 %."""
    rng = np.random.default_rng(3)
    said = np.round(rng.uniform(0, 1, 40_000), 2)
    ledger = regret_ledger(pairs(said.tolist(), (rng.uniform(0, 1, 40_000) < said).tolist()))
    best = min(ledger, key=lambda each: (1.5 * each.wasted + each.missed, -each.limit_pct))
    assert best.limit_pct == 60


def test_a_record_is_made_of_plain_values() -> None:
    record = build_record(pairs(FOURTEEN_GOES, FOURTEEN_CAME))
    assert from_json(Record, to_json(record)) == record


@pytest.mark.parametrize(
    ("outcome", "lines"),
    [
        (
            Outcome(EVENT, OutcomeState.CLEAR, Judge.PEOPLE, kept("2 of 2 say so"), ()),
            ["Sat 23:00–03:00 CEST: it was clear, judged by people's reports (2 of 2 say so)."],
        ),
        (
            Outcome(
                EVENT,
                OutcomeState.UNSURE,
                None,
                kept("they contradict each other"),
                (),
                (kept("LETE says so"),),
            ),
            [
                "Sat 23:00–03:00 CEST: nobody can say for sure, so it isn't scored "
                "(they contradict each other).",
                "But LETE says so.",
            ],
        ),
    ],
    ids=["settled", "open, with who disagrees"],
)
def test_an_outcome_says_who_judged_and_who_disagrees(outcome: Outcome, lines: list[str]) -> None:
    at_site = Reader(ZoneInfo("Europe/Madrid"))
    assert [say(line, at_site) for line in outcome_lines(outcome)] == lines
