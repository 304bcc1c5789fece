"""METARs from the NOAA / NWS Aviation Weather Center's data API (aviationweather.gov/data/api).

Public domain. At most 100 requests a minute, and one endpoint no more often than once a minute, which is
what is kept here; at most 400 reports an answer; 204 means that nothing matches. Of each report only the
raw text, the time of observation and the station's place are read: `clouds: []` means clear as well as
unreported.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import ceil
from typing import Any

from alerts.common.span import Span
from alerts.track.observations.evidence import Station
from alerts.track.observations.stations import METAR, Observed
from service.common.deadline import Deadline
from service.feeds.shared.checked_answers import FeedRefused, as_list, load_json
from service.feeds.shared.guards import MINUTE_S, Allowance
from service.feeds.shared.http_client import PoliteClient, Request
from service.observations.model import Area, metar_report, number, stamp

NAME = "aviationweather.gov"
DEFAULT_URL = "https://aviationweather.gov"
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
        """All reports in the box over the span. A full answer may be cut off: then each half of the span is
        asked for by itself. Raises FeedError."""
        hours = area.hours
        params = {
            "bbox": f"{area.south_deg:.2f},{area.west_deg:.2f},{area.north_deg:.2f},{area.east_deg:.2f}",
            "format": "json",
            "hours": str(ceil(hours.duration / timedelta(hours=1))),
            "date": f"{hours.end:%Y-%m-%dT%H:%M:%SZ}",
        }
        try:
            request = Request(f"{self._url}/api/data/metar", params, feed=NAME, tries_when_throttled=1)
            answer = self._client.get(request, deadline)
        except FeedRefused as refused:
            if refused.status == NOTHING_THERE:
                return []
            raise
        items = as_list(load_json(answer.body, NAME), NAME, "the answer")
        if len(items) < MOST_REPORTS or hours.duration <= SHORTEST:
            return [seen for seen in parse(items) if hours.start <= seen.report.at <= hours.end]
        halves = (Span(hours.start, hours.middle), Span(hours.middle, hours.end))
        return [seen for half in halves for seen in self.fetch(replace(area, hours=half), deadline)]


def parse(items: list[Any]) -> Iterator[Observed]:
    """The reports that have a raw text, a time and a place; others are silence."""
    for item in items:
        if not isinstance(item, dict):
            continue
        name, raw, seconds = item.get("icaoId"), item.get("rawOb"), number(item.get("obsTime"))
        lat_deg, lon_deg = number(item.get("lat")), number(item.get("lon"))
        if not isinstance(name, str) or not isinstance(raw, str):
            continue
        if lat_deg is None or lon_deg is None or seconds is None or not 0 <= seconds < 4e9:
            continue
        received_at = stamp(item.get("receiptTime"))  # in any of the ways it has been written
        if received_at is not None:
            received_at = received_at.replace(tzinfo=received_at.tzinfo or UTC).astimezone(UTC)
        report = metar_report(name, raw, datetime.fromtimestamp(seconds, tz=UTC), received_at)
        if report is not None:
            station = Station(name, METAR, lat_deg, lon_deg, number(item.get("elev")))
            yield Observed(station, report, NAME)
