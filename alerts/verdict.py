"""Wishes + night + outlook -> a verdict with its reasons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from math import inf

from alerts import rules
from alerts.localtime import say_span
from alerts.night import DarkWindow, Night
from alerts.rules import Reason, Result
from alerts.site import Site
from alerts.weather.clearness import SAYS_CLEAR_FROM
from alerts.weather.outlook import Outlook
from alerts.wishes import Wishes

__all__ = ["Reason", "Result", "Verdict", "VerdictWord", "judge"]

WAIT_FROM_PCT = 40
"""From this chance on, a night that isn't good enough yet is worth watching."""
FAR_OFF = timedelta(hours=36)
"""A night further off than this isn't given up for its cloud: forecasts change."""
LINEAGES_NEEDED = 2
PROVIDERS_NEEDED = 2


class VerdictWord(StrEnum):
    GO = "go"
    WAIT = "wait"
    STAY = "stay"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Verdict:
    """The word for a night, the deciding reason first, with the window it is about."""

    word: VerdictWord
    reasons: tuple[Reason, ...]
    window: DarkWindow | None
    outlook: Outlook | None

    @property
    def deciding(self) -> Reason:
        return self.reasons[0]


_BEST_FIRST = (VerdictWord.GO, VerdictWord.WAIT, VerdictWord.UNKNOWN, VerdictWord.STAY)
_AS_RESULT = {
    VerdictWord.GO: Result.PASS,
    VerdictWord.WAIT: Result.WARN,
    VerdictWord.UNKNOWN: Result.UNKNOWN,
    VerdictWord.STAY: Result.FAIL,
}


def judge(
    night: Night, outlooks: Sequence[Outlook | None], wishes: Wishes, *, now: datetime, site: Site
) -> Verdict:
    """The verdict for one night.

    outlooks: one for each of the night's windows; None where no weather was asked for or none came.

    No window -> stay, from the sky alone. Else a known failing hazard or wish -> stay. Else cloud,
    mean wind or precipitation unknown -> unknown. Else go, when the chance reaches the wish on two
    lineages from two providers and it is the day of the night. Else wait, when the chance is at least
    40 %, the night's first window more than 36 h off, or only one lineage answered. Else stay.

    Each window is judged by itself and the best taken: go before wait before unknown before stay (a
    window that must be stayed away from hides no other), then the worth, length times chance.
    """
    if not night.windows:
        return Verdict(VerdictWord.STAY, rules.sky_reasons(night, site), None, None)
    judged = [
        _judge_window(night, window, outlook, wishes, now, site)
        for window, outlook in zip(night.windows, outlooks, strict=True)
    ]
    best = min(judged, key=lambda verdict: (_BEST_FIRST.index(verdict.word), -_worth(verdict)))
    others = tuple(_as_other(verdict, site) for verdict in judged if verdict is not best)
    return Verdict(best.word, best.reasons + others, best.window, best.outlook)


def _judge_window(
    night: Night,
    window: DarkWindow,
    outlook: Outlook | None,
    wishes: Wishes,
    now: datetime,
    site: Site,
) -> Verdict:
    found = [
        rules.over(window, outlook, wishes, now, site),
        rules.access(night.name, site),
        rules.shortest_window(window, wishes),
    ]
    if (high := rules.target(window, night)) is not None:
        found.append(high)
    if outlook is None:
        found.append(_no_forecast(window, site))
        word, deciding = _without_weather(found)
    else:
        found += rules.limit_reasons(outlook, wishes)
        word, deciding = _with_weather(night, outlook, wishes, now, site, found)
    return Verdict(word, _ordered(deciding, found), window, outlook)


def _no_forecast(window: DarkWindow, site: Site) -> Reason:
    sky = f"the sky itself: dark {say_span(window.span, site.tz)}"
    return Reason("forecast", Result.UNKNOWN, f"no forecast reached us, so we can't say; {sky}")


def _without_weather(found: list[Reason]) -> tuple[VerdictWord, Reason]:
    if failing := _first(found, Result.FAIL):
        return VerdictWord.STAY, failing
    return VerdictWord.UNKNOWN, _first(found, Result.UNKNOWN) or found[-1]


def _with_weather(
    night: Night,
    outlook: Outlook,
    wishes: Wishes,
    now: datetime,
    site: Site,
    found: list[Reason],
) -> tuple[VerdictWord, Reason]:
    """The word and what decided; adds the reasons about chance, sources and day to `found`."""
    failing = _first(found, Result.FAIL)
    chance = rules.chance(outlook, wishes)
    sources = rules.sources(outlook, LINEAGES_NEEDED, PROVIDERS_NEEDED)
    day = rules.day(night.name, now, site)
    unknown = _first([found[0], chance, *found[1:]], Result.UNKNOWN)
    found += [chance, sources, day]
    if failing:
        return VerdictWord.STAY, failing
    if unknown:
        return VerdictWord.UNKNOWN, unknown
    in_the_way = [reason for reason in (chance, sources, day) if reason.result is not Result.PASS]
    if not in_the_way:
        return VerdictWord.GO, chance
    if _is_worth_waiting(night, outlook, wishes, now):
        return VerdictWord.WAIT, _waiting(in_the_way[0], chance, day, outlook)
    return VerdictWord.STAY, chance


def _is_worth_waiting(night: Night, outlook: Outlook, wishes: Wishes, now: datetime) -> bool:
    """A go limit below 40 % lowers the chance to wait for with it."""
    far_off = night.windows[0].span.start - now > FAR_OFF
    enough = (outlook.chance_pct or 0) >= min(WAIT_FROM_PCT, wishes.chance_go_pct)
    return enough or far_off or len(outlook.lineages) == 1


def _waiting(hindrance: Reason, chance: Reason, day: Reason, outlook: Outlook) -> Reason:
    """What a wait hangs on, and when it is decided, as one sentence."""
    said = [hindrance.text]
    if hindrance.rule == "chance":
        said.append(_hangs_on(outlook))
    if hindrance.rule == "day":
        said.insert(0, chance.text)
    elif day.result is not Result.PASS:
        said.append(day.text)
    else:
        said.append("we look again with each new forecast")
    return replace(hindrance, text="; ".join(said))


def _hangs_on(outlook: Outlook) -> str:
    clear, answered = outlook.agreement
    if answered and clear == answered:
        return "every model leans to clear, none is sure enough"
    if not clear:
        return "no model says clear yet"
    doubters = [
        entry.source.model
        for entry in outlook.per_source
        if entry.chance is not None and entry.chance < SAYS_CLEAR_FROM
    ]
    return f"{clear} of {answered} models say clear; it hangs on {' and '.join(doubters)}"


def _first(found: Sequence[Reason], result: Result) -> Reason | None:
    return next((reason for reason in found if reason.result is result), None)


_NEAR_FIRST = (Result.FAIL, Result.UNKNOWN, Result.WARN, Result.PASS)


def _ordered(deciding: Reason, found: Sequence[Reason]) -> tuple[Reason, ...]:
    """The deciding reason, then what else stood in the way, then what passed, the nearest first."""
    rest = [reason for reason in found if reason.rule != deciding.rule]
    rest.sort(key=lambda reason: (_NEAR_FIRST.index(reason.result), _slack(reason)))
    return (deciding, *rest)


def _slack(reason: Reason) -> float:
    return inf if reason.slack is None else reason.slack


def _worth(verdict: Verdict) -> float:
    """Minutes of window times chance; 0 while the chance is unknown."""
    if verdict.window is None or verdict.outlook is None:
        return 0.0
    return verdict.window.span.minutes * (verdict.outlook.chance_pct or 0) / 100


def _as_other(verdict: Verdict, site: Site) -> Reason:
    """A night's other window in one line."""
    span = f"{say_span(verdict.window.span, site.tz)}: " if verdict.window else ""
    return Reason("other_window", _AS_RESULT[verdict.word], f"{span}{verdict.word}, {verdict.deciding.text}")
