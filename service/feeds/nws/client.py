"""The US National Weather Service's gridpoints and active alerts (weather-gov.github.io/api).

A forecast takes two steps: `/points` tells the grid cell of a place, and is asked once a day as cells move
without notice; the cell's gridpoint answer has the forecast. A place that the NWS doesn't serve is an answer,
not an error. Alerts are asked for a point.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from functools import partial
from typing import Any
from urllib.parse import urlsplit

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.weather.forecast import OfficialWarning, Place
from alerts.weather.models import NWS, NWS_TERMS, ModelRow, get_model
from service.feeds.nws.parse import parse, raise_if_problem
from service.feeds.shared import http_client
from service.feeds.shared.cached_request import (
    AskRound,
    Question,
    Region,
    StoredAnswer,
    ask,
    keep,
    short_degrees,
)
from service.feeds.shared.checked_answers import (
    FeedError,
    FeedRefused,
    as_dict,
    as_text,
    bad_shape,
    load_json,
)
from service.feeds.shared.guards import NWS_WARNINGS
from service.feeds.shared.model import Gathered, failure_of, join
from service.feeds.shared.warnings_by_place import (
    Service,
    first_said,
    is_web,
    read_severity,
    read_span,
    short,
)

DEFAULT_URL = "https://api.weather.gov"
MAPPING_FOR = timedelta(days=1)
MAPPING_AT_A_PINCH_FOR = timedelta(days=7)
SHORTEST, LONGEST = timedelta(minutes=1), timedelta(hours=1)
HEADERS = {"Accept": "application/geo+json"}
"""Without it the service has been seen to send old copies."""
_CELL = re.compile(r"/gridpoints/([A-Z]{3})/(\d{1,4}),(\d{1,4})")


SERVED = (
    Region(24.0, 50.0, -125.5, -66.0),  # the contiguous states
    Region(50.5, 72.0, -180.0, -129.0),  # Alaska
    Region(50.5, 54.0, 172.0, 180.0),  # the western Aleutians
    Region(18.0, 23.0, -161.0, -154.0),  # Hawaii
    Region(17.0, 19.0, -68.5, -64.0),  # Puerto Rico and the Virgin Islands
    Region(13.0, 21.0, 144.0, 147.0),  # Guam and the Northern Marianas
    Region(-15.0, -10.5, -171.5, -168.0),  # American Samoa
)
"""Boxes drawn generously round what the NWS serves; nobody outside them is asked about."""


class Nws:
    """The feed as one installation uses it."""

    name = NWS
    off_because: Phrase | None = None

    def __init__(self, *, base_url: str = DEFAULT_URL) -> None:
        self._url = base_url.rstrip("/")

    def models_at(self, place: Place) -> tuple[ModelRow, ...]:
        return (get_model(NWS, "gridpoint"),) if covers(place) else ()

    def fetch(self, places: Sequence[Place], hours: Span, round_: AskRound) -> Gathered:
        """One forecast a served place; places in one cell share its request."""
        # 1. The path of each place's cell.
        cells: dict[str, list[Place]] = {}
        parts = []
        for place in filter(covers, places):
            try:
                cell = self._find_cell(place, round_)
            except FeedError as error:
                round_.patience.note(error)
                parts.append(Gathered(failures=(failure_of(NWS, "", error, place),)))
                continue
            if cell is not None:
                cells.setdefault(cell, []).append(place)

        # 2. The cells' forecasts; asked anew where it lies when a cell has gone.
        for cell, there in cells.items():
            gathered = self._ask_cell(cell, there, round_)
            if any(failure.status in (301, 404) for failure in gathered.failures):
                try:
                    moved = self._find_cell(there[0], round_, anew=True)
                except FeedError as error:
                    gathered += Gathered(failures=(failure_of(NWS, "", error, there[0]),))
                else:
                    if moved not in (None, cell):
                        gathered = self._ask_cell(str(moved), there, round_)
            parts.append(gathered)
        return join(parts)

    def _find_cell(self, place: Place, round_: AskRound, *, anew: bool = False) -> str | None:
        """The cell of a place, from the day's mapping unless `anew`; None where the NWS has none."""
        client, patience = round_.client, round_.patience
        path = f"/points/{short_degrees(place.lat_deg)},{short_degrees(place.lon_deg)}"
        key = f"{NWS}{path}"
        stored = round_.cache.get(key)
        now = client.now()
        if stored is not None and not anew and stored.expires_at is not None and now < stored.expires_at:
            return read_cell(stored.body)
        try:
            if patience.given_up is not None:
                raise patience.given_up
            request = http_client.Request(f"{self._url}{path}", headers=HEADERS, feed=NWS)
            answer = client.get(request, round_.deadline)
            patience.note(None)
            cell = read_cell(answer.body)
        except FeedRefused as error:
            if error.status == 404:
                return None
            raise
        except FeedError:
            if stored is None or anew or now - stored.fetched_at > MAPPING_AT_A_PINCH_FOR:
                raise
            return read_cell(stored.body)
        round_.cache.put(key, keep(answer.body, answer, now + MAPPING_FOR))
        return cell

    def _ask_cell(self, cell: str, places: Sequence[Place], round_: AskRound) -> Gathered:
        question = Question(
            http_client.Request(f"{self._url}{cell}", headers=HEADERS, feed=NWS),
            f"{NWS}{cell}",
            read_expires,
            model="gridpoint",
            place=places[0] if len(places) == 1 else None,
        )
        return ask(question, round_, partial(_read, places))


def _read(places: Sequence[Place], stored: StoredAnswer) -> Gathered:
    return join(
        parse(stored.body, fetched_at=stored.fetched_at, place=place, unchanged_since=stored.unchanged_since)
        for place in places
    )


def covers(place: Place) -> bool:
    """Whether the place may be served; the NWS itself has the last word."""
    return any(box.contains(place) for box in SERVED)


def read_cell(body: bytes) -> str:
    """The path of the grid cell in a `/points` answer; its host is left out on purpose."""
    answer = as_dict(load_json(body, NWS), NWS, "the answer")
    raise_if_problem(answer)
    properties: Mapping[str, Any] = as_dict(answer.get("properties"), NWS, "properties")
    path = urlsplit(str(properties.get("forecastGridData", ""))).path
    if not _CELL.fullmatch(path):
        raise bad_shape(NWS, phrase("feeds.no-grid-cell"))
    return path


def read_expires(answer: http_client.HttpAnswer) -> datetime:
    """When to ask again: after max-age, but neither within a minute nor later than an hour."""
    found = re.search(r"\bmax-age=(\d{1,9})", answer.headers.get("cache-control", ""))
    asked = timedelta(seconds=int(found[1])) if found else timedelta(minutes=10)
    return answer.fetched_at + min(max(asked, SHORTEST), LONGEST)


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


WARNINGS = Service(
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
