"""The record in plain words. Under 30 cases only fractions are told, never percent."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from alerts.common.phrases import Phrase, phrase, say
from alerts.track.calibration.model import LEADS, Lead, LeadMap
from alerts.track.calibration.pairs import Pairs
from alerts.track.calibration.score import effective_nights, wilson_range
from alerts.track.observations.outcome import Outcome
from alerts.track.record.summary import FEWEST_PAIRS, Calls, Record, RegretRow, SingleModel
from alerts.weather.models import family_name

LIKE_WITHIN = 0.10
"""Chances this near to each other (0..1) are forecasts like one another."""
FEWEST_LIKE = 5
"""With fewer like it at the site, all sites are counted."""
TOLD_LEADS = (Lead.EVENING, Lead.MORNING)
"""Leads at which a go is said; further ahead people are only told that it leans to one."""


@dataclass(frozen=True, slots=True)
class LikeForecasts:
    """Past forecasts like one, and what came: `clear` of `cases`. nights: how many they are worth."""

    cases: int
    clear: int
    nights: float
    is_of_site: bool


def forecasts_like(pairs: Pairs, site: int, lead: Lead, chance: float) -> LikeForecasts:
    """Past nights at the same lead with a chance within 10 points of this one (0..1): at the site, or at
    all sites where it has fewer than five."""
    is_like = (pairs.lead == LEADS.index(lead)) & (np.abs(pairs.stated - chance) <= LIKE_WITHIN + 1e-9)
    is_own = is_like & (pairs.site == site)
    is_of_site = int(is_own.sum()) >= FEWEST_LIKE
    chosen = is_own if is_of_site else is_like
    nights = effective_nights(pairs.site[chosen], pairs.night[chosen])
    return LikeForecasts(int(chosen.sum()), int(pairs.clear[chosen].sum()), nights, is_of_site)


def say_like(like: LikeForecasts) -> str:
    """`Forecasts like this came clear 9 of 12 times here.`"""
    if not like.cases:
        return say("track.no-record")
    if like.cases < FEWEST_PAIRS:
        return say("track.like-few", is_of_site=like.is_of_site, clear=like.clear, cases=like.cases)
    share = say_share(like.clear, like.cases, like.nights)
    return say("track.like", is_of_site=like.is_of_site, cases=like.cases, share=share)


def say_share(clear: int, cases: int, nights: float | None = None) -> str:
    """`9 of 12`; from 30 cases on `73 % (60–84 %)`, the range in which the true share lies nine times in
    ten for so many independent nights."""
    if cases < FEWEST_PAIRS:
        return say("track.share-few", clear=clear, cases=cases)
    worth = (nights or cases) / cases
    low, high = wilson_range(clear * worth, cases * worth)
    return say(
        "track.share", share_pct=_percent(clear / cases), low_pct=_percent(low), high_pct=_percent(high)
    )


def say_first(lead: Lead, calls: Calls) -> str:
    """The line that answers the question: `Told go 14 times, clear 11; silent on 3 clear nights of 22.`

    The last number counts the nights without a go.
    """
    return _say_calls("track.calls", lead, calls)


def say_lead(lead: Lead, record: Record) -> str:
    """One line for a lead: `A day before: leaned to go 14 times, …`; no go is said before the day."""
    if not record.pairs:
        return say("track.no-record")
    return _say_calls("track.calls-at-lead", lead, record.calls)


def _say_calls(key: str, lead: Lead, calls: Calls) -> str:
    said = say(
        key,
        lead=phrase("track.lead", lead=lead),
        gone=phrase(
            "track.told-go" if lead in TOLD_LEADS else "track.leaned-to-go",
            count=calls.told_go,
            clear=calls.go_clear,
        ),
        silent=phrase("track.silent", clear=calls.silent_clear, silent=calls.silent),
    )
    if not calls.barred_clear:
        return said
    return f"{said} {say('track.barred', count=calls.barred_clear)}"


def say_judges(record: Record) -> str:
    """`Judged by people's reports 4 times, weather stations 8 times; 3 nights nobody could settle.`"""
    judges = [
        phrase("track.judged-times", judge=phrase("track.judge", judge=judge), count=count)
        for judge, count in record.judges.items()
        if count
    ]
    clauses = [phrase("track.judged", judges=judges)] if judges else []
    if record.unsure:
        clauses.append(phrase("track.unsettled", count=record.unsure))
    return say("track.sentence", clauses=clauses) if clauses else ""


def say_worth(record: Record) -> str:
    """`12 nights, worth 8 independent ones.`"""
    independent = phrase("track.independent", count=round(record.effective_nights))
    return say("track.worth", nights=phrase("track.nights", count=record.pairs), independent=independent)


def say_skill(record: Record) -> str:
    """Whether the chances were worth more than the season's own rate, and than the best single model."""
    if record.scores is None:
        return say("track.too-few-to-score", pairs=record.pairs, fewest=FEWEST_PAIRS)
    low, high = record.scores.skill_range
    said = say(
        "track.skill",
        they_were="better" if low > 0 else "worse" if high < 0 else "neither",
        skill_pct=_percent(record.scores.skill),
        low_pct=_percent(low),
        high_pct=_percent(high),
    )
    best = record.scores.best_model
    if best is None:
        return said
    model = family_name(best.lineage)
    than = say("track.best-model", is_better=best.skill > 0, model=model, skill_pct=_percent(best.skill))
    return f"{said} {than}"


def outcome_lines(outcome: Outcome) -> Iterator[Phrase]:
    """What became of one window, who says so, and whoever says something else; sentences."""
    yield phrase(
        "track.outcome",
        window=outcome.event.window,
        state=phrase("track.state", state=outcome.state),
        judge=phrase("track.judge", judge=outcome.judge) if outcome.judge else "",
        why=outcome.why,
    )
    yield from (phrase("track.but", disagreement=each) for each in outcome.disagreement)


def say_model(model: SingleModel) -> str:
    """`ECMWF alone: likelier clear than not 12 times, clear 9.`; from 30 nights on with both scores."""
    name = family_name(model.lineage)
    clauses = [phrase("track.model-alone", model=name, leaned=model.leaned, clear=model.leaned_clear)]
    if model.brier is not None and model.ours is not None:
        clauses.append(phrase("track.model-score", brier=model.brier, ours=model.ours, nights=model.nights))
    return say("track.sentence", clauses=clauses)


def say_map(lead_map: LeadMap) -> str:
    """`A day before: a logistic map over all sites; Brier score 0.171 against 0.180 …`"""
    return say(
        "track.map",
        lead=phrase("track.lead", lead=lead_map.lead),
        method=phrase("track.method", method=lead_map.method),
        why=lead_map.why,
    )


def say_regret(now: RegretRow, other: RegretRow) -> str:
    """`At 60 % you'd have gone 5 more times, 2 of them clear.`"""
    more = other.gone - now.gone
    if not more:
        return say("track.regret-same", limit_pct=other.limit_pct)
    clear = abs(other.gone_clear - now.gone_clear)
    return say(
        "track.regret-more" if more > 0 else "track.regret-fewer",
        limit_pct=other.limit_pct,
        count=abs(more),
        clear=clear,
        one=phrase("track.regret-one", clear=clear),
    )


def _percent(share: float) -> str:
    """With a true minus: a skill may lie below nought."""
    return f"{round(100 * share)}".replace("-", "−")
