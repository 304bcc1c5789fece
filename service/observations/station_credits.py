"""Whose reports a record rests on, as their terms or courtesy ask to be named."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.observations import awc, nws, ogimet
from service.store.repositories.judged_events import report_sources

ATTRIBUTIONS = {source.NAME: source.ATTRIBUTION for source in (awc, nws, ogimet)}


def station_credits(session: Session) -> tuple[str, ...]:
    """A line for each source that the reports kept came from."""
    return tuple(ATTRIBUTIONS[name] for name in report_sources(session) if name in ATTRIBUTIONS)
