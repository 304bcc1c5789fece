"""Why a night rang or didn't, as a person would put it: each verdict in turn, and what was said or not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from alerts.briefing.wording import sentence
from service.store import tables
from service.store.decisions import find_decisions
from service.web.judged import JudgedNight, is_past
from service.web.words import stamp

TOLD = {"heads_up": "a heads-up", "go": "a go", "changed": "a change", "stand_down": "a stand-down"}


@dataclass(frozen=True, slots=True)
class Turn:
    """One verdict on the way: when it was reached, what it was and why, and what was told of it."""

    at: str
    verdict: str
    chance_pct: int | None
    why: str
    told: str


def argue_night(session: Session, judged: JudgedNight, now: datetime) -> list[str]:
    """Sentences on how the night stands with whoever's wishes were judged."""
    if judged.subscription is None:
        return ["Nobody is told about this site, so nothing was judged and nothing could ring."]
    if judged.decision is not None:
        return [f"Last looked at {stamp(judged.as_of, judged.site.zone)}."]
    if is_past(judged.night, now):
        return ["No cycle judged this night: it came before anyone was told about the site, or was paused."]
    days = judged.wishes.days_ahead
    return [f"No cycle has judged this night yet; nights are looked at from {days} days ahead."]


def turns_of(session: Session, judged: JudgedNight) -> list[Turn]:
    """Every verdict on the night for these wishes, oldest first."""
    if judged.subscription is None:
        return []
    return say_turns(find_decisions(session, judged.subscription.id, judged.night.name), judged.site.zone)


def say_turns(decisions: Sequence[tables.Decision], zone: str) -> list[Turn]:
    return [
        Turn(
            stamp(decision.as_of, zone),
            decision.verdict,
            decision.chance_pct,
            sentence(decision.reasons[0]["text"]) if decision.reasons else "",
            _told(decision),
        )
        for decision in decisions
    ]


def _told(decision: tables.Decision) -> str:
    """`Told: a go. …`, or why there was silence."""
    why = sentence(decision.why_text)
    if decision.told:
        return f"Told: {TOLD.get(decision.told, decision.told)}."
    return f"Silent: {why[:1].lower()}{why[1:]}" if why else ""
