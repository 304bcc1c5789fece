"""Why a night rang or didn't, for its page: the argument of `service.explain.argument` for whoever may
read it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.explain.argument import Turn, argue
from service.web.nights.judged_night import JudgedNight
from service.web.shared.sky_cache import Skies
from service.web.shared.viewer import SeenSite


@dataclass(frozen=True, slots=True)
class Argued:
    """Sentences on how the night stands with whoever's wishes were judged; the way there, for them alone."""

    lines: tuple[str, ...]
    turns: tuple[Turn, ...] = ()


def argue_night(session: Session, skies: Skies, seen: SeenSite, judged: JudgedNight, now: datetime) -> Argued:
    """The argument for the one whose wishes they are."""
    if judged.subscription is None and not seen.is_own:
        return Argued(("You aren't told about this site, so nothing could ring.",))
    if judged.subscription is None:
        return Argued(("Nobody is told about this site, so nothing was judged and nothing could ring.",))
    subscription, name = judged.subscription, judged.night.name
    found = argue(session, subscription, name, now, lambda: skies.ephemeris, tell_darkness=False)
    lines = (found.answer, *found.lines_of("held"), *found.lines_of("hangs_on"))
    return Argued(lines, found.turns)
