"""Station observations of the US National Weather Service (weather-gov.github.io/api).

Only `rawMessage` is read: stations without a cloud sensor say "Clear" in the text and the picture, and
the five-minute records between the hourly ones have no raw message. An empty one is unknown.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC
from typing import Any
from urllib.parse import quote

from alerts.common.span import Span
from alerts.sites.great_circle import distance_km
from alerts.track.observations.coded_reports import observed_at
from alerts.track.observations.evidence import Station
from alerts.track.observations.stations import METAR, Observed
from alerts.weather.sky_now import REACH_KM
from service.common.deadline import Deadline
from service.feeds.shared.checked_answers import FeedRefused, as_dict, as_list, load_json
from service.feeds.shared.guards import Allowance
from service.feeds.shared.http_client import PoliteClient, Request
from service.observations.model import BEFORE_AND_AFTER, Ask, metar_report, number, stamp

NAME = "api.weather.gov"
DEFAULT_URL = "https://api.weather.gov"
ALLOWANCE = Allowance({1: 1})
"""The service keeps its limit to itself; one a second is our own choice."""
MOST_STATIONS, MOST_RECORDS = 4, 500
_HEADERS = {"Accept": "application/geo+json"}


class NwsStations:
    """The source as one installation uses it: the nearest stations of a place, one request each."""

    name = NAME

    def __init__(self, client: PoliteClient, base_url: str = DEFAULT_URL) -> None:
        self._client, self._url = client, base_url.rstrip("/")

    def fetch(self, ask: Ask, deadline: Deadline) -> list[Observed]:
        """The reports of the nearest stations within 60 km; none where the NWS doesn't serve the place.
        Raises FeedError."""
        hours = Span(ask.hours.start - BEFORE_AND_AFTER, ask.hours.end + BEFORE_AND_AFTER)
        found: list[Observed] = []
        for name in self._nearest(ask, deadline):
            params = {
                "start": f"{hours.start:%Y-%m-%dT%H:%M:%SZ}",
                "end": f"{hours.end:%Y-%m-%dT%H:%M:%SZ}",
                "limit": str(MOST_RECORDS),
            }
            body = self._get(f"/stations/{quote(name, safe='')}/observations", params, deadline)
            found += [seen for seen in parse(body) if hours.start <= seen.report.at <= hours.end]
        return found

    def _nearest(self, ask: Ask, deadline: Deadline) -> list[str]:
        point = f"/points/{round(ask.lat_deg, 4):g},{round(ask.lon_deg, 4):g}"
        facts = as_dict(self._get(point, {}, deadline), NAME, "the answer").get("properties", {})
        listed = str(as_dict(facts, NAME, "properties").get("observationStations", ""))
        if not listed.startswith(self._url):
            return []
        body = self._get(listed.removeprefix(self._url), {}, deadline)
        near = []
        for feature in _features(body):
            place = _place(feature)
            name = as_dict(feature.get("properties"), NAME, "properties").get("stationIdentifier")
            if place is None or not isinstance(name, str):
                continue
            away_km = distance_km(ask.lat_deg, ask.lon_deg, *place)
            if away_km <= REACH_KM:
                near.append((away_km, name))
        return [name for _, name in sorted(near)[:MOST_STATIONS]]

    def _get(self, path: str, params: dict[str, str], deadline: Deadline) -> object:
        """The JSON answer; an empty one where there is nothing (404)."""
        try:
            request = Request(self._url + path, params, _HEADERS, NAME, tries_when_throttled=1)
            answer = self._client.get(request, deadline)
        except FeedRefused as refused:
            if refused.status == 404:
                return {"features": []}
            raise
        return load_json(answer.body, NAME)


def parse(body: object) -> Iterator[Observed]:
    """The reports of one answer that have a raw message, a time and a place. Their time is that of the raw
    message: stuck reports are dated anew."""
    for feature in _features(body):
        facts, place = as_dict(feature.get("properties"), NAME, "properties"), _place(feature)
        raw, dated = facts.get("rawMessage"), stamp(facts.get("timestamp"))
        name = str(facts.get("station") or "").rstrip("/").rpartition("/")[2]
        if place is None or dated is None or dated.tzinfo is None or not name or not isinstance(raw, str):
            continue
        dated = dated.astimezone(UTC)
        report = metar_report(name, raw, dated, None)
        if report is None:
            continue
        elevation = facts.get("elevation")
        elevation_m = number(elevation.get("value")) if isinstance(elevation, dict) else None
        made = replace(report, at=observed_at(raw, received_at=dated))
        yield Observed(Station(name, METAR, *place, elevation_m), made, NAME)


def _features(body: object) -> list[dict[str, Any]]:
    features = as_list(as_dict(body, NAME, "the answer").get("features"), NAME, "features")
    return [as_dict(feature, NAME, "a feature") for feature in features]


def _place(feature: dict[str, Any]) -> tuple[float, float] | None:
    geometry = feature.get("geometry")
    pair = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if not isinstance(pair, list) or len(pair) < 2:
        return None
    lon_deg, lat_deg = number(pair[0]), number(pair[1])
    return None if lat_deg is None or lon_deg is None else (lat_deg, lon_deg)
