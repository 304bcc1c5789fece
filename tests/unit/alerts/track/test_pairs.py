"""What is remembered of a decision, and the pairs that it makes."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from alerts.common.phrases import kept
from alerts.judging.rules import Reason, Result
from alerts.track.calibration.model import LEADS, Lead, Stated, moment_of, standing_at
from alerts.track.calibration.pairs import (
    JudgedNight,
    build_pairs,
    build_stated,
    joined,
    lineage_chances,
    member_share,
    months_of,
    years_of,
)
from alerts.track.observations.evidence import Event, Judge, OutcomeState
from alerts.track.observations.outcome import Outcome
from alerts.weather.forecast import Source
from alerts.weather.outlook import Outlook, SourceChance
from tests.unit.alerts.track.files import HOUR, NIGHT, WINDOW, pairs


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
    outcome = Outcome(Event(WINDOW, HOUR), state, judge, kept(""), ())
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


def test_a_confirmation_lasts_until_the_evening() -> None:
    held = stated(30, 0.6, confirmed_at=WINDOW.start - timedelta(hours=4))
    made = build_pairs([judged(OutcomeState.CLEAR, [held])])
    assert [LEADS[i].value for i in made.lead] == ["evening", "morning", "1_day"]


def test_months_and_years_come_from_the_nights_name() -> None:
    two = pairs([0.5, 0.5], [1, 0], nights=[0, 58])
    assert (months_of(two.night).tolist(), years_of(two.night).tolist()) == ([1, 2], [2025, 2025])


def reason(rule: str, result: Result) -> Reason:
    return Reason(rule, result, kept(""))


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
    corrected = replace(outlook(), raw_chance_pct=80)
    made = build_stated(reasons, corrected, as_of=at, confirmed_at=at, chance_pct=71)
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


def test_batches_are_put_together() -> None:
    said = stated(13, 0.8, lineages=(("gfs", 0.9),))
    other = stated(13, 0.3, lineages=(("icon", 0.2),))
    first = build_pairs([judged(OutcomeState.CLEAR, [said])])
    second = build_pairs([judged(OutcomeState.NOT_CLEAR, [other], site=2)])
    whole = joined([first, second])
    assert (whole.site.tolist(), whole.stated.tolist()) == ([1, 2], [0.8, 0.3])
    assert {name: np.isnan(own).tolist() for name, own in whole.lineages.items()} == {
        "gfs": [False, True],
        "icon": [True, False],
    }
    assert len(joined([])) == 0
