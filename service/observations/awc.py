"""METARs from the NOAA / NWS Aviation Weather Center's data API (aviationweather.gov/data/api).

Public domain. At most 100 requests a minute, and one endpoint no more often than once a minute, which is
what is kept here; at most 400 reports an answer; 204 means that nothing matches. Of each report only the
raw text, the time of observation and the station's place are read: `clouds: []` means clear as well as
unreported.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from math import ceil
from typing import Any

from alerts.common.span import Span
from alerts.track.observations.evidence import Station
from alerts.track.observations.stations import METAR, Observed
from service.common.deadline import Deadline
from service.feeds.shared.checked_json import as_list, load_json
from service.feeds.shared.feed_errors import FeedRefused
from service.feeds.shared.guards import MINUTE_S, Allowance
from service.feeds.shared.http_client import PoliteClient
from service.observations.model import Area, metar_report, number

NAME = "aviationweather.gov"
DEFAULT_URL = "https://aviationweather.gov"
ATTRIBUTION = "Station reports: NOAA / NWS Aviation Weather Center"
ALLOWANCE = Allowance({MINUTE_S: 1}, one_at_a_time=True)
MOST_REPORTS = 400
SHORTEST = timedelta(hours=1)
NOTHING_THERE = 204


class AviationWeather:
    """The source as one installation uses it."""

    name = NAME

    def __init__(self, client: PoliteClient, base_url: str = DEFAULT_URL) -> None:
        self._client, self._url = client, base_url.rstrip("/")

    def fetch(self, area: Area, deadline: Deadline) -> list[Observed]:
        """All reports in the box over the span. Raises FeedError."""
        return self._fetch(area, area.hours, deadline)

    def _fetch(self, area: Area, hours: Span, deadline: Deadline) -> list[Observed]:
        """A full answer may be cut off: then each half of the span is asked for by itself."""
        items = self._ask(area, hours, deadline)
        if len(items) < MOST_REPORTS or hours.duration <= SHORTEST:
            return [seen for seen in parse(items) if hours.start <= seen.report.at <= hours.end]
        halves = (Span(hours.start, hours.middle), Span(hours.middle, hours.end))
        return [seen for half in halves for seen in self._fetch(area, half, deadline)]

    def _ask(self, area: Area, hours: Span, deadline: Deadline) -> list[Any]:
        params = {
            "bbox": f"{area.south_deg:.2f},{area.west_deg:.2f},{area.north_deg:.2f},{area.east_deg:.2f}",
            "format": "json",
            "hours": str(ceil(hours.duration / timedelta(hours=1))),
            "date": f"{hours.end:%Y-%m-%dT%H:%M:%SZ}",
        }
        try:
            answer = self._client.get(
                f"{self._url}/api/data/metar", params, deadline=deadline, tries_when_throttled=1, feed=NAME
            )
        except FeedRefused as refused:
            if refused.status == NOTHING_THERE:
                return []
            raise
        return as_list(load_json(answer.body, NAME), NAME, "the answer")


def parse(items: list[Any]) -> Iterator[Observed]:
    """The reports that have a raw text, a time and a place; others are silence."""
    for item in items:
        seen = _read(item) if isinstance(item, dict) else None
        if seen is not None:
            yield seen


def _read(item: dict[str, Any]) -> Observed | None:
    name, raw = item.get("icaoId"), item.get("rawOb")
    lat_deg, lon_deg, seconds = number(item.get("lat")), number(item.get("lon")), number(item.get("obsTime"))
    if not isinstance(name, str) or not isinstance(raw, str):
        return None
    if lat_deg is None or lon_deg is None or seconds is None or not 0 <= seconds < 4e9:
        return None
    at = datetime.fromtimestamp(seconds, tz=UTC)
    report = metar_report(name, raw, at, _received_at(item.get("receiptTime")))
    if report is None:
        return None
    return Observed(Station(name, METAR, lat_deg, lon_deg, number(item.get("elev"))), report, NAME)


def _received_at(text: object) -> datetime | None:
    """The time of receipt in any of the ways it has been written; None when it is none of them."""
    try:
        at = datetime.fromisoformat(str(text).replace("Z", "+00:00"))
    except ValueError:
        return None
    return at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
