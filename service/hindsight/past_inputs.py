"""What was known at a past moment, from the rows: the parts that backtests and rejudging share."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, datetime

from sqlalchemy.orm import Session

from alerts.judging.assess import JudgingInputs
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night
from alerts.sky.nights.night_builder import night_named
from alerts.weather.forecast import Forecast
from alerts.wishes.model import Wishes
from service.store.json_values import from_json
from service.store.repositories.climates import climate_at
from service.store.repositories.judged_events import stations_now
from service.store.repositories.sites import StoredSite, stored_site
from service.store.schema.core_tables import NightRow, SiteRevisionRow


def site_of(session: Session, revision_id: int) -> StoredSite:
    """The site as that revision describes it; revisions are kept for good."""
    return stored_site(session.get_one(SiteRevisionRow, revision_id))


def night_of(session: Session, night_id: int) -> Night:
    """The stored night; SQLAlchemy's NoResultFound where it was forgotten."""
    return from_json(Night, session.get_one(NightRow, night_id).facts)


def nights_under(site: Site, name: date, wishes: Wishes, ephemeris: Ephemeris) -> list[Night]:
    """The night as each target of the wishes makes it, the one wanted most first."""
    return [night_named(site, name, sky, ephemeris) for sky in wishes.skies]


def inputs_at(session: Session, site: Site, forecasts: Iterable[Forecast], moment: datetime) -> JudgingInputs:
    """What a verdict rested on then, uncorrected. A forecast may have been confirmed since: it is taken as it
    was known."""
    known = []
    for forecast in forecasts:
        fetched_at = forecast.source.fetched_at
        is_later = fetched_at is not None and fetched_at > moment
        then = replace(forecast.source, fetched_at=moment)
        known.append(replace(forecast, source=then) if is_later else forecast)
    return JudgingInputs(
        site=site,
        now=moment,
        forecasts=known,
        clear_share=climate_at(session, site, moment).clear_share,
        stations=stations_now(session, site, moment),
    )
