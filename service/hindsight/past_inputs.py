"""What was known at a past moment, from the rows: the parts that backtests and rejudging share."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

from sqlalchemy.orm import Session

from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night
from alerts.sky.nights.night_builder import night_named
from alerts.weather.forecast import Forecast
from alerts.wishes.model import Wishes
from service.store.json_values import from_json
from service.store.repositories.sites import StoredSite, stored_site
from service.store.schema import core_tables


def site_of(session: Session, revision_id: int) -> StoredSite:
    """The site as that revision describes it; revisions are kept for good."""
    return stored_site(session.get_one(core_tables.SiteRevision, revision_id))


def night_of(session: Session, night_id: int) -> Night:
    """The stored night; SQLAlchemy's NoResultFound where it was forgotten."""
    return from_json(Night, session.get_one(core_tables.Night, night_id).facts)


def nights_under(site: Site, name: date, wishes: Wishes, ephemeris: Ephemeris) -> list[Night]:
    """The night as each target of the wishes makes it, the one wanted most first."""
    return [night_named(site, name, sky, ephemeris) for sky in wishes.skies]


def as_known_at(forecast: Forecast, moment: datetime) -> Forecast:
    """The forecast as it was known then: it may have been confirmed since."""
    fetched_at = forecast.source.fetched_at
    if fetched_at is None or fetched_at <= moment:
        return forecast
    return replace(forecast, source=replace(forecast.source, fetched_at=moment))
