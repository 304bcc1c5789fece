"""The US National Weather Service's active alerts for a point (weather-gov.github.io/api)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from alerts.weather.forecast import OfficialWarning
from alerts.weather.models import NWS_TERMS
from service.feeds.nws.client import DEFAULT_URL, HEADERS, SERVED, read_expires
from service.feeds.shared.checked_json import as_dict, as_text
from service.feeds.shared.guards import NWS_WARNINGS
from service.feeds.shared.warnings_by_place import (
    Service,
    first_said,
    is_web,
    read_severity,
    read_span,
    short,
)

ITS_PAGE = "https://www.weather.gov/"


def read_warning(feature: Mapping[str, Any]) -> OfficialWarning | None:
    """From its onset to its end; where either isn't given, from when it takes effect to when it expires."""
    alert = as_dict(feature.get("properties"), NWS_WARNINGS, "properties")
    if alert.get("status") != "Actual" or alert.get("messageType") == "Cancel":
        return None
    start = alert.get("onset") or alert.get("effective") or alert.get("sent")
    span = read_span(NWS_WARNINGS, start, alert.get("ends") or alert.get("expires"))
    if span is None:
        return None
    event = as_text(alert.get("event"), NWS_WARNINGS, "event")
    return OfficialWarning(
        warning_id=as_text(alert.get("id"), NWS_WARNINGS, "id"),
        event=first_said(NWS_WARNINGS, "event", event, alert.get("headline")),
        severity=read_severity(alert.get("severity")),
        span=span,
        area=short(alert.get("areaDesc")),
        headline=short(alert.get("headline")),
        url=str(alert["@id"]) if is_web(alert.get("@id")) else ITS_PAGE,
    )


SERVICE = Service(
    feed=NWS_WARNINGS,
    terms=NWS_TERMS,
    base_url=DEFAULT_URL,
    path="/alerts/active",
    query={"point": "{lat},{lon}"},
    served=SERVED,
    read=read_warning,
    expires=read_expires,
    headers=HEADERS,
)
