"""Can this ring? Every obstacle with its mend, and the rule against the verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.briefing.text.obstacle_text import words_for
from alerts.common.phrases import kept
from alerts.common.span import Span
from alerts.judging.assess import JudgingInputs
from alerts.judging.obstacles import (
    Asked,
    Code,
    FeedHere,
    Level,
    Model,
    Obstacle,
    Reach,
    Receiver,
    Silence,
    Sources,
    YearAhead,
    is_barred,
    of_limit,
    of_sources,
    of_subscription,
    reach_of,
    weightiest_first,
)
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.track.calibration.correct import calibrate, calibrated_outlook
from alerts.track.calibration.model import LEADS, NONE, PRIOR, Calibration, LeadMap, Method
from alerts.weather.forecast import Forecast
from alerts.weather.models import MET_NORWAY, MODELS, NWS, OPEN_METEO
from alerts.wishes.model import Wishes
from tests.unit.alerts.judging.values import EVENING, HOUR, SITE, UNHURRIED, WINDOW, forecast, night, source

UNTIL = datetime(2026, 7, 16, tzinfo=UTC)
MET = FeedHere(MET_NORWAY, (Model("global", "ecmwf", "MET Norway"),))
DEFAULT_MODELS = (
    Model("ecmwf_ifs025", "ecmwf", "Open-Meteo"),
    Model("icon_seamless", "icon", "Open-Meteo"),
)
METEO = FeedHere(OPEN_METEO, DEFAULT_MODELS)
ENSEMBLE = FeedHere("open-meteo-ensemble", (Model("ecmwf_ifs025_ensemble", "ecmwf", "Open-Meteo", 51),))
NWS_HERE = FeedHere(NWS, (Model("gridpoint", "nws", "NOAA / National Weather Service"),))


def silent(feed: FeedHere, why: Silence, reason: str = "") -> FeedHere:
    until = UNTIL if why in (Silence.RESTS, Silence.SPENT) else None
    return replace(feed, silent=why, reason=reason, until=until)


UNDECLARED = silent(METEO, Silence.UNDECLARED)


def here(*feeds: FeedHere, has_contact: bool = True) -> Sources:
    return Sources(has_contact, feeds)


SOURCES = {
    "two families of two providers": (here(MET, METEO), [], "", ""),
    "a newcomer outside the US": (
        here(MET, UNDECLARED, silent(ENSEMBLE, Silence.UNDECLARED)),
        [(Code.ONE_PROVIDER, Level.NEVER)],
        "Only MET Norway answers for this place (ECMWF), and a go needs two providers.",
        "open_meteo_noncommercial = true",
    ),
    "the same in the US": (here(MET, NWS_HERE, UNDECLARED), [], "", ""),
    "the NWS switched off in the US": (
        here(MET, silent(NWS_HERE, Silence.OFF), UNDECLARED),
        [(Code.ONE_PROVIDER, Level.NEVER)],
        "Only MET Norway",
        "Set nws = true, or if nobody pays",
    ),
    "MET Norway switched off": (
        here(silent(MET, Silence.OFF), METEO),
        [(Code.ONE_PROVIDER, Level.NEVER)],
        "Only Open-Meteo answers for this place (ECMWF and ICON)",
        "Set met_norway = true.",
    ),
    "the same family by both": (
        here(MET, replace(METEO, models=DEFAULT_MODELS[:1])),
        [(Code.ONE_FAMILY, Level.NEVER)],
        "MET Norway and Open-Meteo bring one model family for this place (ECMWF), and a go needs two.",
        "Name a model of another family in open_meteo_models.",
    ),
    "a blend that may be the other": (
        here(MET, replace(METEO, models=(Model("best_match", "open-meteo-best-match", "Open-Meteo"),))),
        [(Code.ONE_PROVIDER, Level.NEVER)],
        "Only MET Norway",
        "Name a model of another family",
    ),
    "no contact": (
        here(MET, METEO, has_contact=False),
        [(Code.NO_CONTACT, Level.NEVER)],
        "No weather feed is asked",
        "Set contact (DUSKBELL_CONTACT)",
    ),
    "no contact and one provider": (
        here(MET, UNDECLARED, has_contact=False),
        [(Code.NO_CONTACT, Level.NEVER), (Code.ONE_PROVIDER, Level.NEVER)],
        "No weather feed is asked",
        "Set contact",
    ),
    "nothing on": (
        here(silent(MET, Silence.OFF), UNDECLARED),
        [(Code.NO_FEED, Level.NEVER)],
        "No weather feed answers for this place.",
        "Set met_norway = true, or if nobody pays",
    ),
    "no feed serves it": (
        here(),
        [(Code.NO_FEED, Level.NEVER)],
        "No weather feed answers",
        "Name a model of another family in open_meteo_models.",
    ),
    "settings that can't be read": (
        here(FeedHere(OPEN_METEO, (), Silence.UNREADABLE, reason="there is no model 'x'.")),
        [(Code.NO_FEED, Level.NEVER)],
        "No weather feed answers",
        "Mend the settings of open-meteo: there is no model 'x'.",
    ),
    "one that refuses us": (
        here(MET, silent(METEO, Silence.REFUSES, "403 Forbidden.")),
        [(Code.ONE_PROVIDER, Level.NEVER)],
        "Only MET Norway",
        "Open-meteo refuses us (403 Forbidden): mend that, then run duskbell feeds close open-meteo",
    ),
    "one that is down": (
        here(MET, silent(METEO, Silence.RESTS, "no answer.")),
        [(Code.ONE_PROVIDER, Level.FOR_NOW)],
        "Only MET Norway",
        "left alone until 2026-07-16 00:00 UTC (no answer) and asked again then",
    ),
    "one whose day is used up": (
        here(MET, silent(METEO, Silence.SPENT)),
        [(Code.ONE_PROVIDER, Level.FOR_NOW)],
        "Only MET Norway",
        "used up until 2026-07-16 00:00 UTC: fewer models, a key",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("sources", "codes", "what", "mend"), SOURCES.values(), ids=SOURCES.keys())
def test_the_sources_of_a_place(
    sources: Sources, codes: list[tuple[Code, Level]], what: str, mend: str
) -> None:
    found = tuple(of_sources(sources))
    assert [(each.code, each.level) for each in found] == codes
    for said in map(words_for, found[:1]):
        assert what in said.what
        assert mend in said.mend


MAIL = Receiver("email", 12)
FINE = Asked(3, MAIL, 70, Reach(96, 98), YearAhead())
ASKED = {
    "nothing": (FINE, None, "", ""),
    "not confirmed": (
        replace(FINE, receiver=replace(MAIL, barred=Code.NOT_CONFIRMED)),
        (Code.NOT_CONFIRMED, Level.NEVER),
        "Address 12 isn't confirmed",
        "duskbell address confirm 12",
    ),
    "a webhook not confirmed": (
        replace(FINE, receiver=Receiver("webhook", 12, Code.NOT_CONFIRMED)),
        (Code.NOT_CONFIRMED, Level.NEVER),
        "Address 12 isn't confirmed",
        "duskbell address test 12",
    ),
    "bounced": (
        replace(FINE, receiver=replace(MAIL, barred=Code.SWITCHED_OFF, reason="mail to it comes back")),
        (Code.SWITCHED_OFF, Level.NEVER),
        "Address 12 is switched off: mail to it comes back.",
        "duskbell address on 12",
    ),
    "extra not installed": (
        replace(FINE, receiver=Receiver("named", 12, Code.NOT_INSTALLED)),
        (Code.NOT_INSTALLED, Level.NEVER),
        "isn't installed",
        "pip install 'duskbell[channels]'",
    ),
    "target gone": (
        replace(FINE, receiver=Receiver("named", 12, Code.NO_TARGET, "club")),
        (Code.NO_TARGET, Level.NEVER),
        "no named target 'club'",
        "named_targets",
    ),
    "no relay": (
        replace(FINE, receiver=replace(MAIL, barred=Code.OUTBOX_ONLY, reason="/srv/outbox")),
        (Code.OUTBOX_ONLY, Level.NOTE),
        "written to files in /srv/outbox",
        "Set smtp_host",
    ),
    "paused": (
        replace(FINE, paused_until=UNTIL),
        (Code.PAUSED, Level.FOR_NOW),
        "paused until 2026-07-16 00:00 UTC",
        "duskbell subscription resume 3",
    ),
    "ended": (
        replace(FINE, ended_at=UNTIL, paused_until=UNTIL),
        (Code.ENDED, Level.NEVER),
        "Subscription 3 has ended.",
        'duskbell subscribe "Broch"',
    ),
    "beyond reach": (
        replace(FINE, limit_pct=99),
        (Code.BEYOND_REACH, Level.NEVER),
        "A go from 99 % can't come here: under a cloudless sky the forecasts that answer make 96 % at most.",
        "duskbell subscription change 3 --chance 96, or the page /subscriptions/3.",
    ),
    "with a station alone": (
        replace(FINE, limit_pct=97),
        (Code.NEEDS_A_STATION, Level.NOTE),
        "A go from 97 % comes only when a station nearby sees a clear sky as well",
        "--chance 96",
    ),
    "no night of a year": (
        replace(FINE, year=YearAhead(never=("The core never rises here.", "With the band 41 nights."))),
        (Code.NO_SUCH_NIGHT, Level.NEVER),
        "The core never rises here.",
        "With the band 41 nights.",
    ),
    "trips over": (
        replace(FINE, year=YearAhead(trips_are_over=True, never=("No night.",))),
        (Code.TRIPS_OVER, Level.NEVER),
        "All trips lie behind",
        "let nights at home count",
    ),
    "always quiet": (
        replace(FINE, year=YearAhead(unsaid=Code.ALWAYS_QUIET)),
        (Code.ALWAYS_QUIET, Level.NEVER),
        "Quiet hours cover all the time",
        "--quiet 22:00-07:00",
    ),
    "too far": (
        replace(FINE, year=YearAhead(unsaid=Code.TOO_FAR)),
        (Code.TOO_FAR, Level.NEVER),
        "always comes too late",
        "--drive 3:00",
    ),
    "wishes that clash": (
        replace(FINE, year=YearAhead(clashes=("Gusts are never weaker than the wind.",))),
        (Code.CLASH, Level.NOTE),
        "Gusts are never weaker than the wind.",
        "Change one of the two",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("asked", "wanted", "what", "mend"), ASKED.values(), ids=ASKED.keys())
def test_a_subscription(asked: Asked, wanted: tuple[Code, Level] | None, what: str, mend: str) -> None:
    found = list(of_subscription(asked))
    assert [(each.code, each.level) for each in found] == ([wanted] if wanted else [])
    for obstacle in found:
        said = words_for(obstacle, site="Broch")
        assert what in said.what
        assert mend in said.mend


def every_obstacle() -> list[Obstacle]:
    found = [each for sources, *_ in SOURCES.values() for each in of_sources(sources)]
    found += [each for asked, *_ in ASKED.values() for each in of_subscription(asked)]
    return [*found, Obstacle(Code.NO_SITE, Level.NEVER), Obstacle(Code.NOBODY_TOLD, Level.NEVER)]


def test_each_code_is_told_with_a_mend_in_whole_sentences_to_the_operator_and_to_others() -> None:
    assert {each.code for each in every_obstacle()} == set(Code)
    for obstacle in every_obstacle():
        for for_operator in (True, False):
            said = words_for(obstacle, for_operator=for_operator)
            for text in (said.what, said.mend):
                assert text[0].isupper()
                assert text.endswith(".")
                assert "{" not in text


def test_others_hear_no_setting_command_or_folder() -> None:
    for obstacle in every_obstacle():
        said = words_for(obstacle, for_operator=False).text
        for word in ("duskbell ", "open_meteo", "DUSKBELL_", "smtp", "named_targets", "/srv", "pip ", "403"):
            assert word not in said


def test_what_the_operator_alone_can_mend_sends_others_to_them() -> None:
    (few,) = of_sources(here(MET, UNDECLARED))
    assert (
        words_for(few, for_operator=False).mend == "Tell whoever runs this Duskbell; only they can mend it."
    )
    (for_now,) = of_sources(here(MET, silent(METEO, Silence.SPENT)))
    assert words_for(for_now, for_operator=False).mend == "It ends by itself."


def test_what_never_ends_comes_first_and_a_note_bars_nothing() -> None:
    found = weightiest_first(
        [Obstacle(Code.CLASH, Level.NOTE), Obstacle(Code.PAUSED, Level.FOR_NOW), *of_sources(here(MET))]
    )
    assert [each.level for each in found] == [Level.NEVER, Level.FOR_NOW, Level.NOTE]
    assert is_barred(found)
    assert not is_barred(found[2:])


# ---- the rule against the verdict

KNOWN = tuple(
    Model(row.model, row.lineage, row.terms.provider, row.members) for row in MODELS if not row.is_air
)
LOGISTIC = Calibration(
    "2026-07-01",
    UNTIL,
    EVENING,
    tuple(
        LeadMap(lead, Method.LOGISTIC, kept("invented"), 500, 60, intercept=-0.3 - 0.1 * k, slope=0.8)
        for k, lead in enumerate(LEADS)
    ),
)
SHORTESTS = [timedelta(minutes=minutes) for minutes in (0, 10, 30, 60, 90, 240)]
OTHERS = tuple(model for model in KNOWN if model.provider != "Open-Meteo")
models_drawn = st.tuples(
    st.lists(st.sampled_from(OTHERS), max_size=2), st.lists(st.sampled_from(KNOWN), max_size=4)
).map(lambda drawn: list(dict.fromkeys([*drawn[0], *drawn[1]])))
"""Of all models Open-Meteo has nearly all, so that others are drawn by themselves."""
shares = st.integers(5, 95).map(lambda each: each / 100)
calibrations = st.sampled_from([NONE, PRIOR, LOGISTIC])


def corrected(calibration: Calibration, raw_pct: int, hours_before: float) -> int:
    if calibration is NONE:
        return raw_pct
    return round(100 * calibrate(calibration, raw_pct / 100, hours_before=hours_before, site=1).chance)


def cloudless(model: Model, window: Span, now: datetime) -> Forecast:
    """An invented forecast of that model, issued just now, that sees no cloud."""
    starts = window.start.replace(minute=0) - 6 * HOUR
    clouds = [0.0] * (int(window.duration / HOUR) + 14)
    members = [clouds] * model.members if model.members > 1 else ()
    of = source(model.lineage, model.provider, issued_at=now, fetched_at=now)
    return forecast(clouds, starts=starts, of=of, members=members)


def verdict_on(
    models: Sequence[Model],
    wishes: Wishes,
    share: float,
    calibration: Calibration,
    length: timedelta,
    before: timedelta,
) -> Verdict:
    window = Span(WINDOW.start, WINDOW.start + length)
    now = window.start - before
    correct = partial(calibrated_outlook, calibration=calibration, site=1, now=now)
    forecasts = [cloudless(model, window, now) for model in models]
    inputs = JudgingInputs(
        site=SITE, now=now, forecasts=forecasts, correct=correct, clear_share=lambda _: share
    )
    return inputs.judge([night(window)], wishes)


def reach_by(
    models: Sequence[Model], shortest: timedelta, share: float, calibration: Calibration
) -> Reach | None:
    return reach_of(
        here(FeedHere("invented", tuple(models))).answering,
        shortest,
        clear_share=share,
        correct=partial(corrected, calibration),
        has_stations=False,
    )


def rule_on(
    models: Sequence[Model], wishes: Wishes, share: float, calibration: Calibration
) -> list[Obstacle]:
    reach = reach_by(models, wishes.shortest_window, share, calibration)
    few = of_sources(here(FeedHere("invented", tuple(models))))
    return [*few, *of_limit(1, wishes.chance_go_pct, reach)]


def wishing(limit_pct: int, shortest: timedelta) -> Wishes:
    return Wishes(chance_go_pct=limit_pct, chance_back_pct=min(50, limit_pct), shortest_window=shortest)


limits = st.one_of(st.integers(0, 100), st.sampled_from(["-1", "+0", "+1", "+2"]))
"""A chance in per cent, or so many points beside the highest that can be reached."""


def limit_from(
    drawn: int | str, models: Sequence[Model], shortest: timedelta, share: float, calibration: Calibration
) -> int:
    if isinstance(drawn, int):
        return drawn
    reach = reach_by(models, shortest, share, calibration)
    return 70 if reach is None else min(100, max(0, reach.forecasts_pct + int(drawn)))


@UNHURRIED
@given(models_drawn, limits, st.sampled_from(SHORTESTS), shares, calibrations)
def test_row_198_where_the_rule_finds_nothing_a_cloudless_forecast_makes_a_go(
    models: list[Model], limit: int | str, shortest: timedelta, share: float, calibration: Calibration
) -> None:
    wishes = wishing(limit_from(limit, models, shortest, share, calibration), shortest)
    moment = timedelta(seconds=1)
    words = {
        verdict_on(models, wishes, share, calibration, length, moment).word
        for length in (max(shortest, timedelta(minutes=1)), timedelta(hours=16))
    }
    assert (VerdictWord.GO in words) is not is_barred(rule_on(models, wishes, share, calibration))


@UNHURRIED
@given(
    models_drawn,
    limits,
    st.sampled_from(SHORTESTS),
    shares,
    calibrations,
    st.integers(0, 16 * 60),
    st.integers(1, 22 * 60),
)
def test_row_198_where_the_rule_finds_that_there_is_never_a_go_no_window_and_no_lead_makes_one(
    models: list[Model],
    limit: int | str,
    shortest: timedelta,
    share: float,
    calibration: Calibration,
    more_min: int,
    before_min: int,
) -> None:
    wishes = wishing(limit_from(limit, models, shortest, share, calibration), shortest)
    length = min(shortest + timedelta(minutes=more_min + 1), timedelta(hours=16))
    found = verdict_on(models, wishes, share, calibration, length, timedelta(minutes=before_min))
    if is_barred(rule_on(models, wishes, share, calibration)):
        assert found.word is not VerdictWord.GO
