"""The one answer: why a night rang, or why it didn't, in a sentence or two."""

from __future__ import annotations

from alerts.common.text import listed, long_day, sentence, short_day
from alerts.judging.rules import Reason, sky_reasons
from alerts.notifying.model import AlertLevel, Why
from service.explain.case import Case, Sending
from service.store.schema import core_tables

KIND_WORDS = {"heads_up": "a heads-up", "go": "a go", "changed": "a change", "stand_down": "a stand-down"}
STATE_WORDS = {
    "sent": "arrived",
    "due": "waits to be sent",
    "sending": "is being sent",
    "retry": "is tried again",
    "failed": "failed",
    "expired": "came too late to help, so it wasn't sent",
    "superseded": "was overtaken by newer news, so it wasn't sent",
    "suppressed": "was held back",
    "cancelled": "was cancelled by hand",
}
HELD_BACK = (
    Why.QUIET_HOURS,
    Why.ENOUGH_SAID,
    Why.ENOUGH_THIS_WEEK,
    Why.JUST_TURNED,
    Why.ONE_LINEAGE,
    Why.NOT_SURELY_AGAIN,
    Why.TOO_LATE,
    Why.TOO_EARLY,
)
"""Silence about a night that was good enough, or nearly."""


def answer(case: Case) -> str:
    """Why it rang, or why it didn't."""
    if case.sendings:
        return _it_rang(case)
    if not case.decisions:
        return _never_judged(case)
    silent = "It didn't ring" if case.is_past else "It hasn't rung"
    return f"{silent}: {_why_silent(case)}"


def _it_rang(case: Case) -> str:
    clock = case.clock
    said = [f"{KIND_WORDS[each.alert.kind]} on {clock.stamp(each.alert.raised_at)}" for each in case.sendings]
    lost = [each for each in case.sendings if each.state != "sent"]
    arrived = "" if not lost else f" {sentence(listed([_say_lost(each) for each in lost]))}"
    rang = "It rang" if len(lost) < len(case.sendings) else "It was to ring"
    return f"{rang}: {listed(said)}.{arrived}"


def _say_lost(sending: Sending) -> str:
    kind = KIND_WORDS[sending.alert.kind].split(maxsplit=1)[1]
    return f"the {kind} {STATE_WORDS.get(sending.state, sending.state)}"


def _why_silent(case: Case) -> str:
    """What kept every decision silent; the one that stood highest speaks for all, the latest of equals."""
    highest = max(reversed(case.decisions), key=lambda each: each.rung)
    if case.is_past and case.ran_before_leaving is False:
        return "no cycle ran in the half day before one would have had to leave. Is the service running?"
    if highest.rung >= AlertLevel.GOOD or highest.why in HELD_BACK:
        return f"{_kept(highest)}."
    if case.last.why == Why.USUAL_HERE:
        return f"{_kept(case.last)}."
    deciding = case.reasons_of(case.last)[0]
    return f"{deciding.text}.{_best_seen(case, deciding)}"


def _best_seen(case: Case, deciding: Reason) -> str:
    """` The best chance seen was 49 %, on …`, where it was once better than at last."""
    best = max((each.chance_pct for each in case.decisions if each.chance_pct is not None), default=None)
    when = next((each.as_of for each in case.decisions if each.chance_pct == best), None)
    if best is None or when is None or best == case.last.chance_pct:
        return ""
    is_new = deciding.rule != "chance" and best < case.wishes.chance_go_pct
    wanted = f"; you asked for {case.wishes.chance_go_pct} %" if is_new else ""
    return f" The best chance seen was {best} %, on {case.clock.stamp(when)}{wanted}."


def _kept(decision: core_tables.Decision) -> str:
    return decision.why_text or decision.why.replace("_", " ")


def _never_judged(case: Case) -> str:
    """Why no cycle has looked at it, the plainest reason first."""
    subscription, address = case.subscription, case.subscription.address
    if address.confirmed_at is None:
        confirm = f"duskbell address confirm {address.id}"
        return f"Nothing is judged for this address before it is confirmed: {confirm}"
    if address.off_since is not None:
        return f"The address is off since {case.clock.stamp(address.off_since)}: {address.off_reason}."
    if subscription.paused_until is not None and subscription.paused_until > case.now:
        return f"The subscription is paused until {case.clock.stamp(subscription.paused_until)}."
    if subscription.created_at >= case.night.span.end:
        since = case.clock.stamp(subscription.created_at)
        return f"It couldn't ring: nobody had subscribed yet; this subscription is from {since}."
    if case.is_past:
        if case.kept_from is not None and case.night.name < case.kept_from:
            return (
                f"Nothing is kept any more of nights before {long_day(case.kept_from)}, so it can't be said."
            )
        if not case.cycles:
            return "It was never judged: no cycle ran in the days before it. Was the service running?"
        return "It was never judged: it came before you asked for such nights, or in a pause."
    return f"{_not_yet(case)}{_sky_forbids(case)}"


def _not_yet(case: Case) -> str:
    if case.now.astimezone(case.site.tz).date() < case.first_looked_at:
        return (
            "This night has not been judged yet: nights are judged for you from "
            f"{case.wishes.days_ahead} days ahead, this one from {short_day(case.first_looked_at)} on."
        )
    return "This night has not been judged yet: the next cycle looks at it."


def _sky_forbids(case: Case) -> str:
    if case.night.windows:
        return ""
    return f" From the sky alone there is nothing to ring for: {sky_reasons(case.night, case.site)[0].text}."
