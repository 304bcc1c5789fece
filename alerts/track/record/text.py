"""The record in plain words. Under 30 cases only fractions are told, never percent."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo

import numpy as np

from alerts.common.time_text import say_span
from alerts.track.calibration.intervals import effective_nights, wilson_range
from alerts.track.calibration.leads import LEAD_WORDS, LEADS, Lead
from alerts.track.calibration.model import LeadMap, Method
from alerts.track.calibration.pairs import Pairs
from alerts.track.observations.evidence import JUDGE_WORDS, OutcomeState
from alerts.track.observations.outcome import Outcome
from alerts.track.record.regret import RegretRow
from alerts.track.record.summary import FEWEST_PAIRS, Calls, Record, SingleModel
from alerts.weather.models import family_name

NO_RECORD = "There is no record yet: it begins with the first night that somebody or something judged."
METHOD_WORDS = {
    Method.AS_FORECAST: "the chance as forecast",
    Method.PRIOR: "the starting rule",
    Method.LOGISTIC: "a logistic map over all sites",
    Method.ISOTONIC: "an isotonic map over all sites",
}
STATE_WORDS = {
    OutcomeState.CLEAR: "it was clear",
    OutcomeState.NOT_CLEAR: "it wasn't clear",
    OutcomeState.UNSURE: "nobody can say for sure, so it isn't scored",
}
LIKE_WITHIN = 0.10
"""Chances this near to each other (0..1) are forecasts like one another."""
FEWEST_LIKE = 5
"""With fewer like it at the site, all sites are counted."""


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
        return NO_RECORD
    where = "here" if like.is_of_site else "over all sites"
    if like.cases < FEWEST_PAIRS:
        return f"Forecasts like this came clear {like.clear} of {like.cases} times {where}."
    share = say_share(like.clear, like.cases, like.nights)
    return f"Of {like.cases} forecasts like this {where}, {share} came clear."


def say_share(clear: int, cases: int, nights: float | None = None) -> str:
    """`9 of 12`; from 30 cases on `73 % (60–84 %)`, the range in which the true share lies nine times in
    ten for so many independent nights."""
    if cases < FEWEST_PAIRS:
        return f"{clear} of {cases}"
    worth = (nights or cases) / cases
    low, high = wilson_range(clear * worth, cases * worth)
    return f"{_percent(clear / cases)} % ({_percent(low)}–{_percent(high)} %)"


def say_calls(calls: Calls, told: str = "told go") -> str:
    """`Told go 14 times, clear 11; silent on 3 clear nights of 22.`

    The last number counts the nights without a go. told: the words for a go.
    """
    gone = f"{told} {_times(calls.told_go)}, clear {calls.go_clear}" if calls.told_go else f"never {told}"
    silent = f"silent on {_count(calls.silent_clear, 'clear night')} of {calls.silent}"
    text = f"{gone[0].upper()}{gone[1:]}; {silent}."
    if calls.barred_clear:
        nights = _count(calls.barred_clear, "more clear night")
        text += f" On {nights} wind or another limit spoke against going."
    return text


def say_judges(record: Record) -> str:
    """`Judged by people's reports 4 times, weather stations 8 times; 3 nights nobody could settle.`"""
    said = [f"{JUDGE_WORDS[judge]} {_times(count)}" for judge, count in record.judges.items() if count]
    unsettled = f"{_count(record.unsure, 'night')} nobody could settle" if record.unsure else ""
    judged = f"Judged by {', '.join(said)}" if said else ""
    return "; ".join(part for part in (judged, unsettled) if part) + "." if judged or unsettled else ""


def say_worth(record: Record) -> str:
    """`12 nights, worth 8 independent ones.`"""
    worth = _count(round(record.effective_nights), "independent one")
    return f"{_count(record.pairs, 'night')}, worth {worth}: neighbouring nights share their weather."


def say_skill(record: Record) -> str:
    """Whether the chances were worth more than the season's own rate, and than the best single model."""
    if record.scores is None:
        return f"Too few nights to score yet: {record.pairs} of {FEWEST_PAIRS}."
    skill, (low, high) = record.scores.skill, record.scores.skill_range
    word = "better" if low > 0 else "worse" if high < 0 else "neither surely better nor surely worse"
    text = f"The chances were {word} than the site's own rate for the month ({_percent(skill)} % skill"
    text += f", {_percent(low)} to {_percent(high)} %)."
    best = record.scores.best_model
    if best is not None:
        than = "better" if best.skill > 0 else "no better"
        name = family_name(best.lineage)
        text += f" They were {than} than the best single model, {name} ({_percent(best.skill)} %)."
    return text


def say_outcome(outcome: Outcome, zone: tzinfo) -> Iterator[str]:
    """What became of one window, who says so, and whoever says something else; sentences.

    zone: of the clock that the window is written on.
    """
    when = say_span(outcome.event.window, zone)
    by = f", judged by {JUDGE_WORDS[outcome.judge]}" if outcome.judge else ""
    yield f"{when}: {STATE_WORDS[outcome.state]}{by} ({outcome.why})."
    yield from (f"But {each}." for each in outcome.disagreement)


def say_lead(lead: Lead, record: Record) -> str:
    """One line for a lead: `A day before: leaned to go 14 times, …`; no go is said before the day."""
    if not record.pairs:
        return NO_RECORD
    when = LEAD_WORDS[lead]
    calls = say_calls(record.calls, "told go" if lead in (Lead.EVENING, Lead.MORNING) else "leaned to go")
    return f"{when[0].upper()}{when[1:]}: {calls[0].lower()}{calls[1:]}"


def say_model(model: SingleModel) -> str:
    """`ECMWF alone: likelier clear than not 12 times, clear 9.`; from 30 nights on with both scores."""
    name, leaned = family_name(model.lineage), _times(model.leaned)
    text = f"{name} alone: likelier clear than not {leaned}, clear {model.leaned_clear}"
    if model.brier is not None and model.ours is not None:
        text += f"; Brier score {model.brier:.3f}, all together {model.ours:.3f} on its {model.nights} nights"
    return text + "."


def say_map(lead_map: LeadMap) -> str:
    """`A day before: a logistic map over all sites; Brier score 0.171 against 0.180 …`"""
    when = LEAD_WORDS[lead_map.lead]
    return f"{when[0].upper()}{when[1:]}: {METHOD_WORDS[lead_map.method]}; {lead_map.why}."


def say_regret(now: RegretRow, other: RegretRow) -> str:
    """`At 60 % you'd have gone 5 more times, 2 of them clear.`"""
    more = other.gone - now.gone
    clear = abs(other.gone_clear - now.gone_clear)
    if not more:
        return f"At {other.limit_pct} % you'd have gone just as often."
    direction = "more" if more > 0 else "fewer"
    which = f"{clear} of them clear" if abs(more) > 1 else ("a clear one" if clear else "not a clear one")
    return f"At {other.limit_pct} % you'd have gone {_count(abs(more), f'{direction} time')}, {which}."


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


def _percent(share: float) -> str:
    return f"{round(100 * share)}".replace("-", "−")
