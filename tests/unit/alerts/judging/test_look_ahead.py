"""What many ask of many nights is worked out at once, to the same verdicts as one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import time, timedelta
from functools import partial
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from alerts.common.clock_times import ClockSpan
from alerts.common.span import Span
from alerts.judging.assess import JudgingInputs, Memo, answer, ask, assess, look_ahead
from alerts.sites.model import Gate
from alerts.sky.night import Night, Shape, SkyWishes
from alerts.track.calibration.correct import calibrated_outlook
from alerts.track.calibration.model import PRIOR
from alerts.weather.forecast import Forecast
from alerts.wishes.model import HomeBy, Trip, Wishes
from tests.unit.alerts.judging.values import (
    EVENING,
    MINUTE,
    NOON,
    SITE,
    UNHURRIED,
    forecast,
    night,
    source,
    utc,
)

DAY = timedelta(days=1)
NOWS = (NOON, NOON - DAY, utc(16, 3), utc(16, 5))
"""The day of the night, the day before, within its window, near its end."""
SITES = (
    SITE,
    replace(SITE, name="Gated Flat", gate=Gate(ClockSpan(time(5), time(23)))),
    replace(SITE, access_months=(1, 2)),
)
KINDS = (
    {},
    {},
    {"shortest_window": 60 * MINUTE},
    {"chance_go_pct": 90},
    {"coldest_c": 16.0, "wind_limit_ms": 1.0},
    {"gust_limit_ms": 3.0},
    {"sky": SkyWishes(lowest_altitude_deg=12.0)},
    {"shapes": (Shape.ARCH,)},
    {"weekdays": (5, 6)},
    {"home_by": (HomeBy(EVENING.weekday(), time(3)),)},
    {"trips": (Trip(EVENING - DAY, EVENING, drive=20 * MINUTE),)},
    {"trips": (Trip(EVENING + 3 * DAY, EVENING + 4 * DAY),)},
)


def windows(dice: Random) -> list[Night]:
    """A night as one target or two make it, with none to two windows."""
    found = []
    for _ in range(dice.choice((1, 1, 2))):
        spans, at = [], utc(16, 1) + dice.randrange(0, 3600) * timedelta(seconds=1)
        for _ in range(dice.choice((0, 1, 1, 2))):
            spans.append(Span(at, at + dice.randrange(10, 200) * MINUTE))
            at = spans[-1].end + 5 * MINUTE
        found.append(night(*spans))
    return found


def weather(dice: Random) -> list[Forecast]:
    """None, one lineage alone or some."""
    return [
        forecast(
            [dice.choice((0.0, 20.0, 50.0, 100.0, None)) for _ in range(14)],
            starts=utc(15, 20),
            of=source(lineage, provider),
            members=[[dice.uniform(0, 100) for _ in range(14)] for _ in range(dice.choice((0, 0, 3)))],
            wind_ms=dice.uniform(0, 12),
        )
        for lineage, provider in (("ecmwf", "MET Norway"), ("icon", "Open-Meteo"), ("gfs", "Open-Meteo"))
        if dice.random() < 0.7
    ]


def asked(dice: Random) -> tuple[JudgingInputs, Sequence[Night], list[Wishes]]:
    """One site's inputs, a night, and who asks of it."""
    now = dice.choice(NOWS)
    inputs = JudgingInputs(
        site=dice.choice(SITES),
        now=now,
        forecasts=weather(dice),
        correct=partial(calibrated_outlook, calibration=PRIOR, site=1, now=now),
    )
    wishes = [
        Wishes(drive=dice.choice((30, 90, 200)) * MINUTE, **dice.choice(KINDS))  # type: ignore[arg-type]
        for _ in range(4)
    ]
    return inputs, windows(dice), wishes


@UNHURRIED
@given(st.integers(0, 10**9), st.sampled_from((1, 2, 250)))
def test_many_questions_at_once_are_answered_as_each_by_itself(seed: int, at_once: int) -> None:
    dice, questions = Random(seed), []
    for inputs, nights, everyone in (asked(dice) for _ in range(3)):
        memo = Memo()
        questions += [
            (inputs, ask(inputs, nights, wishes, memo), memo, nights, wishes) for wishes in everyone
        ]
    look_ahead((each[:3] for each in questions), at_once=at_once)
    for inputs, question, memo, nights, wishes in questions:
        found, alone = answer(inputs, question, memo), assess(inputs, nights, wishes)
        assert (found.verdict, found.outlooks) == (alone.verdict, alone.outlooks)


def test_nothing_is_left_to_be_looked_at_one_by_one() -> None:
    """What `answer` needs is in the memo; what was answered before isn't asked again."""
    dice = Random(1)
    inputs, memo = JudgingInputs(site=SITE, now=NOON, forecasts=weather(dice)), Memo()
    question = ask(inputs, [night(Span(utc(16, 2), utc(16, 5)))], Wishes(), memo)
    look_ahead([(inputs, question, memo)])
    ready = dict(memo.outlooks)
    assert len(ready) == 1
    found = answer(inputs, question, memo)
    assert found.outlooks[0].outlook is next(iter(ready.values()))
    memo.outlooks.clear()
    look_ahead([(inputs, question, memo)])
    assert not memo.outlooks
    assert answer(inputs, question, memo) is found
