"""Verdicts: every branch of the precedence, the words, and the order of reasons."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.span import Span
from alerts.judging.rules import SAFETY_FIRST, Result
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.sites.model import Site
from alerts.sky.night import DarknessWish, SkyWishes, Target, TargetKind
from alerts.weather.outlook import HazardLevel, Outlook, SourceChance
from alerts.wishes.model import Wishes
from tests.unit.alerts.judging.values import (
    EVENING,
    MINUTE,
    NOON,
    SITE,
    UNHURRIED,
    WINDOW,
    dark_window,
    hazards,
    judge,
    night,
    outlook,
    source,
    utc,
)
from tests.unit.alerts.judging.verdict_cases import (
    CASES,
    GO,
    LEVEL,
    ONE_LINEAGE,
    ONE_PROVIDER,
    STAY,
    UNKNOWN,
    WAIT,
    Case,
)


def judged(case: Case) -> Verdict:
    return judge(night(case.window), [case.outlook], case.wishes, now=case.now, site=case.site)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.id)
def test_verdict_follows_the_precedence(case: Case) -> None:
    verdict = judged(case)
    assert (verdict.word, verdict.deciding.rule) == (case.word, case.rule)
    assert case.says in str(verdict.deciding.text)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.id)
def test_every_rule_speaks_at_most_once_and_the_deciding_one_first(case: Case) -> None:
    verdict = judged(case)
    named = [reason.rule for reason in verdict.reasons]
    assert len(named) == len(set(named))
    order = [Result.FAIL, Result.UNKNOWN, Result.WARN, Result.PASS]
    ranks = [order.index(reason.result) for reason in verdict.reasons[1:]]
    assert ranks == sorted(ranks)
    assert all(str(reason.text) and not str(reason.text).endswith(".") for reason in verdict.reasons)


DARK = Span(utc(16, 1), utc(16, 8))
AWAY = Span(utc(15, 17), utc(15, 23))
NO_WINDOW = {
    "Sun never low enough": ({"dark": ()}, "darkness", "no astronomical darkness: the Sun stays above −18°"),
    "Sun never low enough for near darkness": (
        {"dark": (), "wishes": SkyWishes(darkness=DarknessWish.NEAR)},
        "darkness",
        "the Sun stays above −15°",
    ),
    "Moon up from dusk to dawn": ({"dark": (DARK,), "moonless": (AWAY,)}, "moon", "the Moon is up"),
    "core too low in the dark hours": (
        {"dark": (DARK,)},
        "target",
        "the core doesn't reach 10° while it is dark and moonless",
    ),
    "core too low, Moon welcome": (
        {"dark": (DARK,), "moonless": (), "wishes": SkyWishes(moonless=False)},
        "target",
        "the core doesn't reach 10° while it is dark",
    ),
    "more Moon than was accepted": (
        {"dark": (DARK,), "moonless": (), "wishes": SkyWishes(moonless=False, most_loss_mag=0.3)},
        "darkness",
        "the Moon costs more than 0.3 mag at the core, or the core stands too low",
    ),
    "more Moon than darkness alone bears": (
        {
            "dark": (DARK,),
            "moonless": (),
            "wishes": SkyWishes(Target(TargetKind.NONE), moonless=False, most_loss_mag=0.1),
        },
        "darkness",
        "the Moon costs more than 0.1 mag through all the dark hours",
    ),
    "core too low, some Moon accepted but none up": (
        {"dark": (DARK,), "wishes": SkyWishes(moonless=False, most_loss_mag=0.3)},
        "target",
        "the core doesn't reach 10° while it is dark",
    ),
    "core too low by the default rule": (
        {"dark": (DARK,), "wishes": SkyWishes(lowest_altitude_deg=None)},
        "target",
        "high enough",
    ),
    "band below the ridge": (
        {"dark": (DARK,), "wishes": SkyWishes(target=Target(TargetKind.BAND))},
        "target",
        "the Milky Way doesn't stand clear",
    ),
    "a named target": (
        {"dark": (DARK,), "wishes": SkyWishes(target=Target(TargetKind.RADEC, "Orion", 84.0, -1.0))},
        "target",
        "Orion doesn't reach 10°",
    ),
}


@pytest.mark.parametrize(("changes", "rule", "says"), NO_WINDOW.values(), ids=NO_WINDOW.keys())
def test_a_night_without_a_window_is_stayed_home_for_from_the_sky_alone(
    changes: dict[str, Any], rule: str, says: str
) -> None:
    verdict = judge(night(**changes), [], Wishes(), now=NOON, site=SITE)
    assert (verdict.word, verdict.deciding.rule) == (STAY, rule)
    assert says in str(verdict.deciding.text)
    assert (verdict.window, verdict.outlook) == (None, None)


EARLY, LATE = Span(utc(16, 1), utc(16, 3)), Span(utc(16, 6), utc(16, 7))
SEVERAL = {
    "go before wait": (outlook(50, EARLY), outlook(80, LATE), GO, LATE),
    "wait before unknown": (outlook(None, EARLY), outlook(50, LATE), WAIT, LATE),
    "unknown before stay": (outlook(5, EARLY), None, UNKNOWN, LATE),
    "two goes: the longer is worth more": (outlook(75, EARLY), outlook(90, LATE), GO, EARLY),
    "two goes: length doesn't outweigh all": (
        outlook(72, Span(utc(16, 1), utc(16, 3))),
        outlook(99, LATE),
        GO,
        EARLY,
    ),
    "equal: the earlier": (outlook(None, EARLY), None, UNKNOWN, EARLY),
}


@pytest.mark.parametrize(("first", "second", "word", "best"), SEVERAL.values(), ids=SEVERAL.keys())
def test_the_best_of_several_windows_speaks_for_the_night(
    first: Outlook | None, second: Outlook | None, word: VerdictWord, best: Span
) -> None:
    verdict = judge(night(EARLY, LATE), [first, second], Wishes(), now=NOON, site=SITE)
    assert verdict.word is word
    assert verdict.window is not None
    assert verdict.window.span == best
    other = verdict.reasons[-1]
    assert other.rule == "other_window"
    assert "EDT: " in str(other.text)


def test_the_line_on_another_window_does_not_repeat_the_owners_note() -> None:
    """Others than the owner read that line too."""
    windows = (Span(utc(16, 1), utc(16, 2, 45)), Span(utc(16, 6), utc(16, 8)))
    closed = replace(SITE, access_months=(10, 11), access_note="gate code: 4711")
    outlooks = [outlook(80, window) for window in windows]
    verdict = judge(night(*windows), outlooks, Wishes(), now=NOON, site=closed)
    said = {reason.rule: str(reason.text) for reason in verdict.reasons}
    assert said["access"] == "the site can't be reached in July: gate code: 4711"
    assert said["other_window"].endswith("stay, the site can't be reached in July")


def test_worth_is_length_times_chance() -> None:
    longer = Span(utc(16, 6), utc(16, 8))
    shorter = Span(utc(16, 1), utc(16, 2, 45))
    verdict = judge(
        night(shorter, longer), [outlook(95, shorter), outlook(75, longer)], Wishes(), now=NOON, site=SITE
    )
    assert verdict.window is not None
    assert verdict.window.span == shorter  # 105 min x 0.95 against 120 min x 0.75


def test_the_core_is_praised_with_its_margin() -> None:
    verdict = judge(night(WINDOW), [outlook()], Wishes(), now=NOON, site=SITE)
    said = {reason.rule: str(reason.text) for reason in verdict.reasons}
    assert said["target"] == "the core reaches 16°, you asked for 10°"


def test_a_target_without_a_height_wish_is_told_without_one() -> None:
    made = night(WINDOW, wishes=SkyWishes(lowest_altitude_deg=None))
    said = {r.rule: str(r.text) for r in judge(made, [outlook()], Wishes(), now=NOON, site=SITE).reasons}
    assert said["target"] == "the core reaches 16°"


def test_darkness_alone_has_no_target_to_judge() -> None:
    made = night(WINDOW, wishes=SkyWishes(target=Target(TargetKind.NONE)))
    verdict = judge(made, [outlook()], Wishes(), now=NOON, site=SITE)
    assert "target" not in {reason.rule for reason in verdict.reasons}


def test_passes_come_with_the_nearest_first() -> None:
    seen = outlook(hazards=hazards(wind=(LEVEL.FINE, 8.9), gust=(LEVEL.FINE, 3.0)))
    verdict = judge(night(WINDOW), [seen], Wishes(), now=NOON, site=SITE)
    named = [reason.rule for reason in verdict.reasons]
    assert named[:2] == ["chance", "wind"]
    assert named.index("wind") < named.index("gust")


def test_the_readme_names_every_rule() -> None:
    top = Path(__file__).parents[4]
    code = "".join(each.read_text(encoding="utf-8") for each in (top / "alerts/judging").glob("*.py"))
    named = re.findall(r'(?:Reason|_what_is_left)\(\s*"(\w+)"', code)
    (listed,) = re.findall(
        r"(?m)^\| `reasons` \| .*? Rules: (.*?) \|$", (top / "README.md").read_text("utf-8")
    )
    assert set(re.findall(r"`(\w+)`", listed)) == {*named, *SAFETY_FIRST}


FAILING: dict[str, tuple[Wishes, tuple[str, ...]]] = {
    "within all": (Wishes(), ("thunder",)),
    "wind over the wish": (Wishes(wind_limit_ms=1.0), ("thunder", "wind")),
    "gust over the wish": (Wishes(gust_limit_ms=3.0), ("thunder", "gust")),
    "colder than wished": (Wishes(coldest_c=20.0), ("thunder", "cold")),
}


@pytest.mark.parametrize(("wishes", "names"), FAILING.values(), ids=FAILING)
def test_hazards_fail_by_themselves_or_by_a_wish(wishes: Wishes, names: tuple[str, ...]) -> None:
    """And the chance, which fails as well, is none."""
    seen = outlook(5, hazards=hazards(thunder=(LEVEL.FAIL, 60.0)))
    verdict = judge(night(WINDOW), [seen], wishes, now=NOON, site=SITE)
    assert verdict.failing_hazards == names


def test_a_wait_names_the_model_it_hangs_on() -> None:
    sources = (
        SourceChance(source("ecmwf", "MET Norway"), 0.75),
        SourceChance(source("icon"), 0.2),
        SourceChance(source("gfs"), None, "old"),
    )
    seen = outlook(47, per_source=sources, agreement=(1, 2))
    verdict = judge(night(WINDOW), [seen], Wishes(), now=NOON, site=SITE)
    assert "1 of 2 models say clear; it hangs on icon model" in str(verdict.deciding.text)


@pytest.mark.parametrize(
    ("agreement", "says"),
    [((2, 2), "every model leans to clear"), ((0, 2), "no model says clear yet")],
    ids=["all lean", "none says"],
)
def test_a_wait_says_how_far_the_models_agree(agreement: tuple[int, int], says: str) -> None:
    verdict = judge(night(WINDOW), [outlook(55, agreement=agreement)], Wishes(), now=NOON, site=SITE)
    assert says in str(verdict.deciding.text)


def test_an_unusable_forecast_says_why_for_each_source() -> None:
    sources = (SourceChance(source("icon"), None, "its run is 14 h old, more than 6 h"),)
    seen = outlook(None, per_source=sources)
    verdict = judge(night(WINDOW), [seen], Wishes(), now=NOON, site=SITE)
    assert "icon model: its run is 14 h old, more than 6 h" in str(verdict.deciding.text)


def test_outlooks_must_match_the_windows() -> None:
    with pytest.raises(ValueError, match="zip"):
        judge(night(WINDOW), [], Wishes(), now=NOON, site=SITE)


def test_the_day_begins_with_the_site_s_civil_date() -> None:
    """Kiritimati (UTC+14): at 10:30 UTC of the 14th it is the 15th there."""
    kiritimati = Site("Atoll", 1.9, -157.4, 3.0, "Pacific/Kiritimati")
    window = Span(utc(15, 9), utc(15, 12))
    for now, word in ((utc(14, 9, 59), WAIT), (utc(14, 10), GO)):
        made = night(window, name=date(2026, 7, 15))
        assert judge(made, [outlook(80, window)], Wishes(), now=now, site=kiritimati).word is word


def test_a_window_before_dawn_belongs_to_the_evening_s_night() -> None:
    """On the morning of the night's name the next date's window isn't yet of the day."""
    made = night(Span(utc(16, 7), utc(16, 8)), name=EVENING)
    verdict = judge(made, [outlook()], Wishes(), now=utc(15, 3), site=SITE)
    assert verdict.word is WAIT


chances = st.one_of(st.none(), st.integers(0, 100))
levels = st.sampled_from(list(HazardLevel))
any_hazards = st.fixed_dictionaries(
    {name: st.tuples(levels, st.one_of(st.none(), st.floats(0, 30))) for name in ("wind", "gust", "thunder")}
)
moments = st.integers(-72 * 60, 24 * 60).map(lambda minutes: NOON + minutes * MINUTE)


@UNHURRIED
@given(chances, any_hazards, moments, st.sampled_from([{}, ONE_LINEAGE, ONE_PROVIDER]))
def test_a_go_always_has_everything_it_needs(
    chance: int | None,
    found: dict[str, tuple[HazardLevel, float | None]],
    now: datetime,
    answered: dict[str, Any],
) -> None:
    seen = outlook(chance, hazards=hazards(**found), **(answered if chance is not None else {}))
    wishes = Wishes()
    verdict = judge(night(WINDOW), [seen], wishes, now=now, site=SITE)
    if verdict.word is not GO:
        return
    assert chance is not None
    assert chance >= wishes.chance_go_pct
    assert not answered
    assert now < WINDOW.end - wishes.shortest_window
    assert now.astimezone(SITE.tz).date() >= EVENING
    assert found["wind"][0] not in (LEVEL.UNKNOWN, LEVEL.FAIL)
    assert all(reason.result not in (Result.FAIL, Result.UNKNOWN) for reason in verdict.reasons)


RANK = {GO: 3, WAIT: 2, UNKNOWN: 1, STAY: 0}


@UNHURRIED
@given(st.integers(0, 99), st.integers(1, 100), moments)
def test_more_chance_never_makes_a_worse_word(chance: int, more: int, now: datetime) -> None:
    higher = min(100, chance + more)
    words = [
        judge(night(WINDOW), [outlook(pct)], Wishes(), now=now, site=SITE).word for pct in (chance, higher)
    ]
    assert RANK[words[1]] >= RANK[words[0]]


@UNHURRIED
@given(chances, st.integers(-24 * 60, 24 * 60).map(lambda minutes: NOON + minutes * MINUTE))
def test_a_stay_of_one_window_hides_nothing_of_another(chance: int | None, now: datetime) -> None:
    too_short = Span(utc(16, 1), utc(16, 1, 10))
    alone = judge(night(WINDOW), [outlook(chance)], Wishes(), now=now, site=SITE)
    both = judge(
        replace(night(too_short, WINDOW), windows=(dark_window(too_short), dark_window())),
        [outlook(90, too_short), outlook(chance)],
        Wishes(),
        now=now,
        site=SITE,
    )
    assert both.word is alone.word
