"""Forecasts as rows: every answer with its provider and lineage, rejected ones with their reason."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from alerts.site import Site
from alerts.weather.record import Forecast
from service.store import tables
from service.store.packing import pack, unpack

KEPT_FOR_JUDGING = timedelta(hours=24)
"""Older answers stay in the store but are never judged on."""


@dataclass(frozen=True, slots=True)
class StoredForecast:
    """A forecast with the id under which decisions name it."""

    forecast_id: int
    forecast: Forecast


def place_key(site: Site) -> str:
    """The place that a site's forecasts are asked for, to 0.01 degrees: neighbours share the request."""
    return f"{round(site.lat_deg, 2):.2f},{round(site.lon_deg, 2):.2f}"


def keep(session: Session, place: str, forecast: Forecast, *, fetched_at: datetime) -> tables.Forecast:
    """Store one model's answer for that place."""
    source = forecast.source
    row = tables.Forecast(
        place=place,
        feed=source.feed,
        provider=source.provider,
        lineage=source.lineage,
        model=source.model,
        issued_at=source.issued_at,
        fetched_at=source.fetched_at or fetched_at,
        last_hour_ends=forecast.hours[-1].ends if forecast.hours else None,
        body=pack(forecast),
    )
    session.add(row)
    return row


def keep_rejected(
    session: Session, place: str, *, feed: str, model: str, reason: str, fetched_at: datetime
) -> tables.Forecast:
    """Store that an answer couldn't be used, and why; never judged on."""
    row = tables.Forecast(
        place=place, feed=feed, provider="", lineage="", model=model, fetched_at=fetched_at, rejected=reason
    )
    session.add(row)
    return row


def newest_by_place(session: Session, places: set[str], now: datetime) -> dict[str, list[StoredForecast]]:
    """For each place the newest usable answer of each feed and model, not from after `now`."""
    usable = (
        tables.Forecast.place.in_(places),
        tables.Forecast.rejected.is_(None),
        tables.Forecast.fetched_at <= now,
        tables.Forecast.fetched_at > now - KEPT_FOR_JUDGING,
    )
    newest = (
        select(func.max(tables.Forecast.id))
        .where(*usable)
        .group_by(tables.Forecast.place, tables.Forecast.feed, tables.Forecast.model)
    )
    found: dict[str, list[StoredForecast]] = defaultdict(list)
    query = select(tables.Forecast).where(tables.Forecast.id.in_(newest)).order_by(tables.Forecast.id)
    for row in session.scalars(query):
        found[row.place].append(StoredForecast(row.id, unpack(row)))
    return found


def last_fetch(session: Session, places: set[str]) -> dict[str, datetime]:
    """When each place was last answered by any feed."""
    query = (
        select(tables.Forecast.place, func.max(tables.Forecast.fetched_at))
        .where(tables.Forecast.place.in_(places), tables.Forecast.rejected.is_(None))
        .group_by(tables.Forecast.place)
    )
    return {row[0]: row[1] for row in session.execute(query)}
