"""Wishes + night + outlook -> a verdict with its reasons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from enum import StrEnum
from math import inf

from alerts.common.phrases import Phrase, phrase
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.field.trip_plan import FieldPlan, plan_trip
from alerts.judging import rules
from alerts.judging.ranking import WindowView, worth_minutes
from alerts.judging.rules import (
    SAFETY_FIRST,
    Reason,
    Result,
    night_reasons,
    usable_spans,
    window_reasons,
    without_note,
)
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Night, target_phrase
from alerts.weather.chance import SAYS_CLEAR_FROM
from alerts.weather.models import source_name
from alerts.weather.outlook import Outlook
from alerts.wishes.model import Wishes

WAIT_FROM_PCT = 40
"""From this chance on, a night that isn't good enough yet is worth watching."""
FAR_OFF = timedelta(hours=36)
"""A night further off than this isn't given up for its cloud: forecasts change."""


class VerdictWord(StrEnum):
    GO = "go"
    WAIT = "wait"
    STAY = "stay"
    UNKNOWN = "unknown"


@value(frozen=True, slots=True)
class SkyView:
    """A night as one target makes it, with the outlook over the usable part of each of its windows.

    outlooks: one for each window; None where no weather was asked for, none came, or nothing of the
    window can be used.
    """

    night: Night
    outlooks: Sequence[Outlook | None]


@value(frozen=True, slots=True)
class Verdict:
    """The word for a night, the deciding reason first, with the window it is about.

    usable: the part of the window that counts; all of it unless a gate or the time to be home cuts it.
    night: the night as the window's target makes it. worth: see alerts/judging/ranking.py.
    others: the verdicts on the night's other windows, the best first.
    """

    word: VerdictWord
    reasons: tuple[Reason, ...]
    window: DarkWindow | None
    outlook: Outlook | None
    usable: Span | None = None
    night: Night | None = None
    worth: float = 0.0
    others: tuple[Verdict, ...] = ()

    @property
    def deciding(self) -> Reason:
        return self.reasons[0]

    @property
    def chance_pct(self) -> int | None:
        return self.outlook.chance_pct if self.outlook is not None else None

    @property
    def failing_hazards(self) -> tuple[str, ...]:
        """Names of the hazards that fail, by themselves or by a wish; the deciding one first, then safety."""
        failing = (reason.rule for reason in self.reasons if reason.result is Result.FAIL)
        return tuple(rule for rule in failing if rule in SAFETY_FIRST)


BEST_FIRST = (VerdictWord.GO, VerdictWord.WAIT, VerdictWord.UNKNOWN, VerdictWord.STAY)
_AS_RESULT = {
    VerdictWord.GO: Result.PASS,
    VerdictWord.WAIT: Result.WARN,
    VerdictWord.UNKNOWN: Result.UNKNOWN,
    VerdictWord.STAY: Result.FAIL,
}
_NEAR_FIRST = (Result.FAIL, Result.UNKNOWN, Result.WARN, Result.PASS)


def weigh(views: Sequence[SkyView], wishes: Wishes, *, now: datetime, site: Site) -> Verdict:
    """The verdict for one night, without the moment of decision: the same for all who differ in how they get
    there. views: the night as each target makes it, in the order in which they will do.

    No window -> stay, from the sky alone. Else a known failing hazard or wish -> stay. Else cloud,
    mean wind or precipitation unknown -> unknown. Else go, when the chance reaches the wish on two
    lineages from two providers and it is the day of the night. Else wait, when the chance is at least
    40 %, the night's first window more than 36 h off, or only one lineage answered. Else stay.

    Each window is judged by itself and the best taken: go before wait before unknown before stay (a
    window that must be stayed away from hides no other), then what it is worth (alerts/judging/ranking.py).
    Of the wishes, `as_judged` names those that it reads.
    """
    judged = []
    for rank, view in enumerate(views):
        night, usable = view.night, usable_spans(view.night, wishes, site)
        for window, part, outlook in zip(night.windows, usable, view.outlooks, strict=True):
            each = WindowView(night, window, part, outlook, rank)
            word, reasons = _weigh_window(each, wishes, now, site)
            judged.append(
                Verdict(word, reasons, window, outlook, part, night, worth_minutes(each, wishes.shapes))
            )

    if not judged:  # why the first target has no window decides, the others follow in one line each
        first, *rest = (rules.sky_reasons(view.night, site) for view in views)
        lines = tuple(Reason("other_target", Result.FAIL, reasons[0].text) for reasons in rest)
        return Verdict(VerdictWord.STAY, first + lines, None, None, night=views[0].night)

    judged.sort(key=lambda verdict: (BEST_FIRST.index(verdict.word), -verdict.worth))
    best, others = judged[0], tuple(judged[1:])
    if not others:
        return best
    lines = tuple(_as_other(verdict, best, site) for verdict in others)
    return replace(best, reasons=best.reasons + lines, others=others)


def trip_to(verdict: Verdict, wishes: Wishes, site: Site) -> FieldPlan | None:
    """The trip to the window that the verdict is about; None without one."""
    if verdict.usable is None or verdict.night is None:
        return None
    return plan_trip(verdict.night, verdict.usable, wishes, site)


def with_decision_time(
    verdict: Verdict, trip: FieldPlan | None, wishes: Wishes, *, now: datetime, site: Site
) -> Verdict:
    """A wait that also says when it is decided; any other verdict as it is."""
    if verdict.word is not VerdictWord.WAIT or trip is None:
        return verdict
    cause, due = verdict.deciding.text, trip.leave_by - wishes.notice
    if now < due:
        clock = wishes.clock(site.tz)
        is_today = due.astimezone(clock).date() == now.astimezone(clock).date()
        text = phrase("judging.decided-later", cause=cause, due=due, is_today=is_today)
    elif now < trip.latest_departure:
        text = phrase("judging.looked-at-again-until", cause=cause, latest=trip.latest_departure)
    else:
        text = phrase("judging.looked-at-again", cause=cause)
    said = replace(verdict.deciding, text=text.on(wishes.clock_zone or site.zone))
    return replace(verdict, reasons=(said, *verdict.reasons[1:]))


def _weigh_window(
    each: WindowView, wishes: Wishes, now: datetime, site: Site
) -> tuple[VerdictWord, tuple[Reason, ...]]:
    """The word for one window, and the reasons with the one that decided first."""
    night, window, outlook = each.night, each.window, each.outlook
    part = each.usable or window.span

    # what needs no weather
    found = [
        rules.over(part, outlook, wishes, now, site),
        *night_reasons(night.name, wishes, site),
        *window_reasons(night, window.span, wishes, site),
    ]
    found += [high for high in (rules.shape(window, part, wishes), rules.target(window, night)) if high]
    if outlook is None:
        if failing := _first(found, Result.FAIL):
            return VerdictWord.STAY, _ordered(failing, found)
        text = phrase("judging.no-forecast", span=window.span).on(site.zone)
        missing = Reason("forecast", Result.UNKNOWN, text)
        found.append(missing)
        return VerdictWord.UNKNOWN, _ordered(_first(found, Result.UNKNOWN) or missing, found)

    # what does: a failing limit decides first, then what is unknown, cloud before the hazards
    found += rules.limit_reasons(outlook, wishes)
    chance = rules.chance(outlook, wishes)
    sources = rules.sources(outlook)
    day = rules.day(night.name, now, site)
    failing = _first(found, Result.FAIL)
    unknown = _first([found[0], chance, *found[1:]], Result.UNKNOWN)
    found += [chance, sources, day]
    if failing:
        return VerdictWord.STAY, _ordered(failing, found)
    if unknown:
        return VerdictWord.UNKNOWN, _ordered(unknown, found)

    # a good night goes; another waits while it may still become one
    in_the_way = [reason for reason in (chance, sources, day) if reason.result is not Result.PASS]
    if not in_the_way:
        return VerdictWord.GO, _ordered(chance, found)
    far_off = night.windows[0].span.start - now > FAR_OFF
    enough = (outlook.chance_pct or 0) >= min(WAIT_FROM_PCT, wishes.chance_go_pct)
    if enough or far_off or len(outlook.lineages) == 1:
        return VerdictWord.WAIT, _ordered(_waiting(in_the_way[0], chance, outlook), found)
    return VerdictWord.STAY, _ordered(chance, found)


def _waiting(hindrance: Reason, chance: Reason, outlook: Outlook) -> Reason:
    """What a wait hangs on: for the chance, which models lean which way."""
    if hindrance.rule == "day":
        return replace(hindrance, text=chance.text)
    if hindrance.rule != "chance":
        return hindrance
    values, (clear, answered) = dict(chance.text.values), outlook.agreement
    if answered and clear == answered:
        return replace(hindrance, text=phrase("judging.chance-every-model-leans", **values))
    models = doubters(outlook)
    if not clear or not models:
        return replace(hindrance, text=phrase("judging.chance-no-model-clear", **values))
    text = phrase("judging.chance-some-models-clear", **values, clear=clear, answered=answered, models=models)
    return replace(hindrance, text=text)


def hangs_on(outlook: Outlook) -> Phrase | None:
    """`it hangs on GFS and ICON`; None where no model differs from the others."""
    models = doubters(outlook)
    return phrase("judging.hangs-on", models=models) if models else None


def doubters(outlook: Outlook) -> tuple[str, ...]:
    """The models that don't say clear while others do; none where none differs."""
    found = tuple(
        source_name(entry.source)
        for entry in outlook.per_source
        if entry.chance is not None and entry.chance < SAYS_CLEAR_FROM
    )
    return found if len(found) < outlook.agreement[1] else ()


def _first(found: Sequence[Reason], result: Result) -> Reason | None:
    return next((reason for reason in found if reason.result is result), None)


def _ordered(deciding: Reason, found: Sequence[Reason]) -> tuple[Reason, ...]:
    """The deciding reason, then what else stood in the way, then what passed, the nearest first."""
    rest = [reason for reason in found if reason.rule != deciding.rule]
    rest.sort(key=lambda each: (_NEAR_FIRST.index(each.result), inf if each.slack is None else each.slack))
    return (deciding, *rest)


def _as_other(verdict: Verdict, best: Verdict, site: Site) -> Reason:
    """A night's other window in one line, with its target where that is another one, and no private note."""
    window, chosen = verdict.window, best.window
    assert window is not None, "only windows are judged"
    assert chosen is not None, "only windows are judged"
    cause = without_note(verdict.deciding).text
    if window.target == chosen.target:
        text = phrase("judging.other-window", span=window.span, word=verdict.word.value, cause=cause)
    else:
        text = phrase(
            "judging.other-window-target",
            span=window.span,
            target=target_phrase(window.target),
            word=verdict.word.value,
            cause=cause,
        )
    return Reason("other_window", _AS_RESULT[verdict.word], text.on(site.zone))
