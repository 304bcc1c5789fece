"""MET Norway's Locationforecast and MetAlerts 2.0, asked by its terms (api.met.no/doc/TermsOfService).

At most four decimals, whole metres, nothing asked again before `Expires` and then only on condition
with the `Last-Modified` that it sent, word for word. A 403 or 429 ends the round at once. Warnings are for
Norway, its coast and Svalbard (api.met.no/weatherapi/metalerts/2.0/documentation), one request a cell.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from functools import partial
from typing import Any

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.weather.forecast import OfficialWarning, Place
from alerts.weather.models import MET_NORWAY, MET_NORWAY_TERMS, ModelRow, get_model
from service.feeds.met_norway.parse import parse
from service.feeds.shared import http_client
from service.feeds.shared.cached_request import (
    AskRound,
    Question,
    Region,
    StoredAnswer,
    ask,
    cell_key,
    short_degrees,
)
from service.feeds.shared.checked_answers import as_dict, as_list, as_text, bad_shape
from service.feeds.shared.guards import MET_NORWAY_WARNINGS
from service.feeds.shared.model import Gathered, join, shared_with
from service.feeds.shared.warnings_by_place import (
    Service,
    first_said,
    is_web,
    read_severity,
    read_span,
    short,
)

DEFAULT_URL = "https://api.met.no"
SHORTEST, LONGEST = timedelta(minutes=5), timedelta(hours=2)
"""Bounds on what an Expires is believed; it is 24 to 30 minutes ahead as a rule."""


class MetNorway:
    """The feed as one installation uses it. base_url: another address for a proxy of one's own."""

    name = MET_NORWAY
    off_because: Phrase | None = None

    def __init__(self, *, base_url: str = DEFAULT_URL) -> None:
        self._url = f"{base_url.rstrip('/')}/weatherapi/locationforecast/2.0/complete"

    def models_at(self, place: Place) -> tuple[ModelRow, ...]:
        return (get_model(MET_NORWAY, "nordic" if NORDIC.contains(place) else "global"),)

    def fetch(self, places: Sequence[Place], hours: Span, round_: AskRound) -> Gathered:
        """One forecast a place; the feed always sends all it has, whatever `hours` says.

        Places in one cell and of like height share a request, for the first of them.
        """
        shared: dict[str, list[Place]] = {}
        for place in dict.fromkeys(places):
            shared.setdefault(forecast_key(place), []).append(place)
        parts = []
        for key, there in shared.items():
            request = http_client.Request(
                self._url, build_params(there[0]), feed=MET_NORWAY, tries_when_throttled=1
            )
            question = Question(request, key, read_expires, place=there[0] if len(there) == 1 else None)
            parts.append(ask(question, round_, partial(_read, there)))
        return join(parts)


def _read(places: Sequence[Place], stored: StoredAnswer) -> Gathered:
    read = parse(
        stored.body, fetched_at=stored.fetched_at, place=places[0], unchanged_since=stored.unchanged_since
    )
    return shared_with(read, places)


NORDIC = Region(54.0, 73.5, 2.0, 33.0)
"""Generously round the area of its 2.5 km model; everywhere else the cells are 9 km wide."""
NORDIC_CELL_DEG, GLOBAL_CELL_DEG = 0.02, 0.05


def forecast_key(place: Place) -> str:
    """Under which the answer for a place, and for its neighbours of like height, is kept."""
    step_deg = NORDIC_CELL_DEG if NORDIC.contains(place) else GLOBAL_CELL_DEG
    return cell_key(f"{MET_NORWAY}/", place, step_deg)


def build_params(place: Place) -> dict[str, str]:
    """The query for a place: four decimals at most, whole metres, no altitude when it isn't known."""
    params = {"lat": short_degrees(place.lat_deg), "lon": short_degrees(place.lon_deg)}
    if place.elevation_m is not None:
        params["altitude"] = str(round(place.elevation_m))
    return params


def read_expires(answer: http_client.HttpAnswer) -> datetime:
    """When the feed may be asked again; half an hour ahead when it didn't say, and within bounds."""
    now = answer.fetched_at
    try:
        expires = parsedate_to_datetime(answer.headers.get("expires", ""))
    except ValueError:
        expires = now + timedelta(minutes=30)
    expires = expires if expires.tzinfo else expires.replace(tzinfo=UTC)
    return min(max(expires.astimezone(UTC), now + SHORTEST), now + LONGEST)


ITS_PAGE = "https://www.met.no/"
WARNED_PLACES = (
    Region(57.0, 72.0, 3.0, 32.0),  # the mainland and its coast, with what lies round them
    Region(74.0, 81.5, 10.0, 35.0),  # Svalbard
)


def read_warning(feature: Mapping[str, Any]) -> OfficialWarning | None:
    alert = as_dict(feature.get("properties"), MET_NORWAY_WARNINGS, "properties")
    if alert.get("status", "Actual") != "Actual" or alert.get("type") == "Cancel":
        return None
    when = as_dict(feature.get("when"), MET_NORWAY_WARNINGS, "when")
    interval = as_list(when.get("interval"), MET_NORWAY_WARNINGS, "when.interval")
    if len(interval) != 2:
        raise bad_shape(MET_NORWAY_WARNINGS, phrase("feeds.no-pair"))
    span = read_span(MET_NORWAY_WARNINGS, *interval)
    if span is None:
        return None
    event = as_text(alert.get("event"), MET_NORWAY_WARNINGS, "event")
    names = (alert.get("eventAwarenessName"), event, alert.get("title"))
    return OfficialWarning(
        warning_id=as_text(alert.get("id"), MET_NORWAY_WARNINGS, "id"),
        event=first_said(MET_NORWAY_WARNINGS, "event", *names),
        severity=read_severity(alert.get("severity")),
        span=span,
        area=short(alert.get("area")),
        headline=short(alert.get("title")),
        url=str(alert["web"]) if is_web(alert.get("web")) else ITS_PAGE,
    )


WARNINGS = Service(
    feed=MET_NORWAY_WARNINGS,
    terms=MET_NORWAY_TERMS,
    base_url=DEFAULT_URL,
    path="/weatherapi/metalerts/2.0/current.json",
    query={"lat": "{lat}", "lon": "{lon}", "lang": "en"},
    served=WARNED_PLACES,
    read=read_warning,
    expires=read_expires,
)
