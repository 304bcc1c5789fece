"""MET Norway's warnings for a point, MetAlerts 2.0 (api.met.no/weatherapi/metalerts/2.0/documentation).

For Norway, its coast and Svalbard. One request a cell, not before `Expires`, by the same terms as its
forecast.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from alerts.common.phrases import phrase
from alerts.weather.forecast import OfficialWarning
from alerts.weather.models import MET_NORWAY_TERMS
from service.feeds.met_norway.client import DEFAULT_URL, read_expires
from service.feeds.shared.checked_json import as_dict, as_list, as_text, bad_shape
from service.feeds.shared.guards import MET_NORWAY_WARNINGS
from service.feeds.shared.regions import Region
from service.feeds.shared.warnings_by_place import (
    Service,
    first_said,
    is_web,
    read_severity,
    read_span,
    short,
)

ITS_PAGE = "https://www.met.no/"
SERVED = (
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


SERVICE = Service(
    feed=MET_NORWAY_WARNINGS,
    terms=MET_NORWAY_TERMS,
    base_url=DEFAULT_URL,
    path="/weatherapi/metalerts/2.0/current.json",
    query={"lat": "{lat}", "lon": "{lon}", "lang": "en"},
    served=SERVED,
    read=read_warning,
    expires=read_expires,
)
