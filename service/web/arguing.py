"""Why a night rang or didn't, for its page: the argument of `service.argue` for whoever may read it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.argue import Turn, argue
from service.web.judged import JudgedNight, is_past
from service.web.skies import Skies
from service.web.words import stamp


@dataclass(frozen=True, slots=True)
class Argued:
    """Sentences on how the night stands with whoever's wishes were judged; the way there, for them alone."""

    lines: tuple[str, ...]
    turns: tuple[Turn, ...] = ()


def argue_night(session: Session, skies: Skies, judged: JudgedNight, now: datetime) -> Argued:
    """The argument for the one whose wishes they are; for anyone else only how far it was looked at."""
    if judged.subscription is None:
        return Argued(("Nobody is told about this site, so nothing was judged and nothing could ring.",))
    if not judged.is_mine:
        return Argued((_looked_at(judged, now),))
    subscription, name = judged.subscription, judged.night.name
    found = argue(session, subscription, name, now, lambda: skies.ephemeris, tell_darkness=False)
    lines = (found.answer, *found.lines_of("held"), *found.lines_of("hangs_on"))
    return Argued(lines, found.turns)


def _looked_at(judged: JudgedNight, now: datetime) -> str:
    if judged.decision is not None:
        return f"Last looked at {stamp(judged.as_of, judged.site.zone)}."
    if is_past(judged.night, now):
        return "No cycle judged this night."
    days = judged.wishes.days_ahead
    return f"No cycle has judged this night yet; nights are looked at from {days} days ahead."
