"""What a stored decision was about: its window, its outlook, and how dark the sky is there."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.darkness import with_darkness
from alerts.night import DarkWindow, Night
from alerts.rules import Reason
from alerts.site import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.skyview import window_skies
from alerts.span import Span
from alerts.verdict import Verdict, VerdictWord
from alerts.weather.outlook import Outlook
from service.store import tables
from service.store.codec import from_json


def decided_verdict(session: Session, decision: tables.Decision, night: Night) -> Verdict:
    """The verdict as it was stored, with its window of that night and the outlook over it."""
    window = _window_of(night, decision)
    return Verdict(
        VerdictWord(decision.verdict),
        tuple(from_json(Reason, reason) for reason in decision.reasons),
        window,
        _outlook_of(session, decision, window),
    )


def darkness_reasons(
    session: Session, decision: tables.Decision, site: Site, ephemeris: Ephemeris
) -> Sequence[Reason]:
    """How dark the sky is in the decision's window, as a reason; none without a window."""
    night = from_json(Night, session.get_one(tables.Night, decision.night_id).facts)
    verdict = decided_verdict(session, decision, night)
    told = with_darkness(verdict, site, night, window_skies(site, night, ephemeris, verdict))
    return [reason for reason in told.reasons if reason not in verdict.reasons]


def _window_of(night: Night, decision: tables.Decision) -> DarkWindow | None:
    """The window that the decision is about, however much of it could be used."""
    if decision.window_start is None or decision.window_end is None:
        return None
    decided = Span(decision.window_start, decision.window_end)
    touching = [window for window in night.windows if window.span.overlap(decided)]
    return next(iter(touching), None)


def _outlook_of(session: Session, decision: tables.Decision, window: DarkWindow | None) -> Outlook | None:
    if window is None or not decision.outlook_ids:
        return None
    rows = session.scalars(select(tables.Outlook).where(tables.Outlook.id.in_(decision.outlook_ids)))
    outlooks = [from_json(Outlook, row.facts) for row in rows]
    return next((each for each in outlooks if each.window.overlap(window.span)), None)
