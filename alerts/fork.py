"""Several sites of one person on one night: which first, and where two are close, the fork."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo

from alerts.briefing.facts import OtherSite
from alerts.fieldplan import FieldPlan
from alerts.localtime import say_clock
from alerts.span import Span
from alerts.values import value
from alerts.verdict import Verdict, VerdictWord

CLOSE_LEAVE_BY = timedelta(minutes=30)
"""Two sites for which one leaves within this of each other can be decided between on the road."""
WORTH_NAMING = (VerdictWord.GO, VerdictWord.WAIT)
MOST_OTHERS = 4


@value(frozen=True, slots=True)
class Choice:
    """One site on a night, as one person sees it. signal_lost_at: None where the phone keeps its signal."""

    site_name: str
    word: VerdictWord
    chance_pct: int | None
    worth: float
    window: Span | None
    leave_by: datetime | None
    latest_departure: datetime | None = None
    signal_lost_at: datetime | None = None

    def as_other(self) -> OtherSite:
        return OtherSite(
            self.site_name, self.word, self.chance_pct, self.window, self.leave_by, self.latest_departure
        )


def choice_of(site_name: str, verdict: Verdict, plan: FieldPlan | None) -> Choice:
    """What a verdict makes of a site."""
    return Choice(
        site_name,
        verdict.word,
        verdict.chance_pct,
        verdict.worth,
        verdict.usable,
        plan.leave_by if plan else None,
        plan.latest_departure if plan else None,
        plan.signal_lost_at if plan else None,
    )


def best_first(choices: Sequence[Choice]) -> list[Choice]:
    """Go before wait before the rest, then by worth, then by name."""
    order = (VerdictWord.GO, VerdictWord.WAIT, VerdictWord.UNKNOWN, VerdictWord.STAY)
    return sorted(choices, key=lambda each: (order.index(each.word), -each.worth, each.site_name))


def others_than(lead: Choice, choices: Sequence[Choice], now: datetime) -> tuple[Choice, ...]:
    """The other sites worth naming beside this one, best first: those one could still go to."""
    reachable = [
        each
        for each in choices
        if each is not lead
        and each.word in WORTH_NAMING
        and (each.latest_departure is None or now <= each.latest_departure)
    ]
    return tuple(best_first(reachable)[:MOST_OTHERS])


def say_fork(lead: Choice, others: Sequence[Choice], now: datetime, clock: tzinfo) -> str:
    """`leave by 18:10 either way; decide at 20:30: East 74 %, West 41 %`; "" where there is no fork.

    A fork is the best other site for which one leaves at about the same time. It is decided when the phone
    first goes silent on either way; where it doesn't, when one leaves.
    """
    other = next((each for each in others if _leaves_about_then(lead, each)), None)
    if other is None or lead.leave_by is None or other.leave_by is None:
        return ""
    leave_by = min(lead.leave_by, other.leave_by)
    lost = [each.signal_lost_at for each in (lead, other) if each.signal_lost_at is not None]
    decide_at = min(lost, default=leave_by)
    both = ", ".join(f"{each.site_name} {_chance(each)}" for each in (lead, other))
    if leave_by <= now:
        return f"two sites are close: {both}"
    when = f"decide at {say_clock(decide_at, clock)}" if decide_at > leave_by else "decide then"
    return f"leave by {say_clock(leave_by, clock)} either way; {when}: {both}"


def _leaves_about_then(lead: Choice, other: Choice) -> bool:
    if lead.leave_by is None or other.leave_by is None:
        return False
    return abs(lead.leave_by - other.leave_by) <= CLOSE_LEAVE_BY


def _chance(choice: Choice) -> str:
    return "chance unknown" if choice.chance_pct is None else f"{choice.chance_pct} %"
