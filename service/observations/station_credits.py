"""Whose reports a record rests on, as their terms or courtesy ask to be named."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.observations import awc, nws, ogimet
from service.store.schema.track_tables import StationReport

ATTRIBUTIONS = {source.NAME: source.ATTRIBUTION for source in (awc, nws, ogimet)}


def station_credits(session: Session) -> tuple[str, ...]:
    """A line for each source that the reports kept came from."""
    names = session.scalars(select(StationReport.source).distinct().order_by(StationReport.source))
    return tuple(ATTRIBUTIONS[name] for name in names if name in ATTRIBUTIONS)
