"""Credits of the feeds, as their terms ask for them."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.weather.record import Source
from service.store import tables

LOOKED_AT = 50


def recent_credits(session: Session) -> tuple[str, ...]:
    """The credit lines of the answers that came last, each once."""
    newest = (
        select(tables.Forecast.id)
        .where(tables.Forecast.rejected.is_(None))
        .order_by(tables.Forecast.id.desc())
        .limit(LOOKED_AT)
    )
    lines = session.scalars(
        select(tables.Forecast.body["attribution"][0].as_string())
        .where(tables.Forecast.id.in_(newest))
        .order_by(tables.Forecast.id.desc())
    )
    return tuple(dict.fromkeys(line for line in lines if line))


def credits_of(sources: Iterable[Source]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(source.attribution for source in sources if source.attribution))
