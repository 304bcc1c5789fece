"""The US National Weather Service's gridpoints (weather-gov.github.io/api).

Two steps: `/points` tells the grid cell of a place, and is asked once a day as cells move without
notice; the cell's gridpoint answer has the forecast. A place that the NWS doesn't serve is an answer,
not an error.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.weather.forecast import Place
from alerts.weather.models import NWS, ModelRow, find_model
from service.common.deadline import Deadline
from service.feeds.nws.parse import parse, raise_if_problem
from service.feeds.shared.cache import AnswerCache, StoredAnswer
from service.feeds.shared.cached_request import AskRound, Question, ask, keep
from service.feeds.shared.checked_json import as_dict, bad_shape, load_json
from service.feeds.shared.feed_errors import FeedError, FeedRefused
from service.feeds.shared.http_client import HttpAnswer, PoliteClient
from service.feeds.shared.model import Gathered, failure_of, join
from service.feeds.shared.regions import Region, short_degrees

DEFAULT_URL = "https://api.weather.gov"
MAPPING_FOR = timedelta(days=1)
MAPPING_AT_A_PINCH_FOR = timedelta(days=7)
SHORTEST, LONGEST = timedelta(minutes=1), timedelta(hours=1)
_HEADERS = {"Accept": "application/geo+json"}
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
        row = find_model(NWS, "gridpoint")
        assert row is not None, "it is in the table"
        return (row,) if covers(place) else ()

    def fetch(
        self,
        places: Sequence[Place],
        hours: Span,
        client: PoliteClient,
        cache: AnswerCache,
        deadline: Deadline,
    ) -> Gathered:
        """One forecast a served place; places in one cell share its request."""
        round_ = _NwsRound(self._url, client, cache, deadline)
        served = [place for place in places if covers(place)]
        gathered, cells = round_.find_cells(served)
        for cell, there in cells.items():
            gathered += round_.fetch_cell(cell, there)
        return gathered


def covers(place: Place) -> bool:
    """Whether the place may be served; the NWS itself has the last word."""
    return any(box.contains(place) for box in SERVED)


class _NwsRound:
    """One call of fetch: what its steps share."""

    def __init__(self, url: str, client: PoliteClient, cache: AnswerCache, deadline: Deadline) -> None:
        self._url, self._client, self._cache, self._deadline = url, client, cache, deadline
        self._round = AskRound(client, cache, deadline)
        self._patience = self._round.patience

    def find_cells(self, places: Sequence[Place]) -> tuple[Gathered, dict[str, list[Place]]]:
        """The path of each place's cell with the places in it, and what couldn't be found out."""
        cells: dict[str, list[Place]] = {}
        gathered = Gathered()
        for place in places:
            try:
                cell = self._find_cell(place)
            except FeedError as error:
                self._patience.note(error)
                gathered += Gathered(failures=(failure_of(NWS, "", error, place),))
                continue
            if cell is not None:
                cells.setdefault(cell, []).append(place)
        return gathered, cells

    def _find_cell(self, place: Place, *, anew: bool = False) -> str | None:
        """The cell of a place, from the day's mapping unless `anew`; None where the NWS has none."""
        path = f"/points/{short_degrees(place.lat_deg)},{short_degrees(place.lon_deg)}"
        key = f"{NWS}{path}"
        stored = self._cache.get(key)
        now = self._client.now()
        if stored is not None and not anew and stored.expires_at is not None and now < stored.expires_at:
            return read_cell(stored.body)
        try:
            if self._patience.given_up is not None:
                raise self._patience.given_up
            answer = self._client.get(
                f"{self._url}{path}", headers=_HEADERS, deadline=self._deadline, feed=NWS
            )
            self._patience.note(None)
            cell = read_cell(answer.body)
        except FeedRefused as error:
            if error.status == 404:
                return None
            raise
        except FeedError:
            if stored is None or anew or now - stored.fetched_at > MAPPING_AT_A_PINCH_FOR:
                raise
            return read_cell(stored.body)
        self._cache.put(key, keep(answer.body, answer, now + MAPPING_FOR))
        return cell

    def fetch_cell(self, cell: str, places: Sequence[Place]) -> Gathered:
        """The cell's forecast for each of the places; asks anew where they lie when it has gone."""
        gathered = self._ask_cell(cell, places)
        if not any(failure.status in (301, 404) for failure in gathered.failures):
            return gathered
        try:
            moved = self._find_cell(places[0], anew=True)
        except FeedError as error:
            return gathered + Gathered(failures=(failure_of(NWS, "", error, places[0]),))
        return gathered if moved in (None, cell) else self._ask_cell(str(moved), places)

    def _ask_cell(self, cell: str, places: Sequence[Place]) -> Gathered:
        question = Question(
            feed=NWS,
            model="gridpoint",
            key=f"{NWS}{cell}",
            url=f"{self._url}{cell}",
            headers=_HEADERS,
            expires=read_expires,
            place=places[0] if len(places) == 1 else None,
        )

        def read(stored: StoredAnswer) -> Gathered:
            return join(
                parse(
                    stored.body,
                    fetched_at=stored.fetched_at,
                    place=place,
                    unchanged_since=stored.unchanged_since,
                )
                for place in places
            )

        return ask(question, self._round, read)


def read_cell(body: bytes) -> str:
    """The path of the grid cell in a `/points` answer; its host is left out on purpose."""
    answer = as_dict(load_json(body, NWS), NWS, "the answer")
    raise_if_problem(answer)
    properties: Mapping[str, Any] = as_dict(answer.get("properties"), NWS, "properties")
    path = urlsplit(str(properties.get("forecastGridData", ""))).path
    if not _CELL.fullmatch(path):
        raise bad_shape(NWS, phrase("feeds.no-grid-cell"))
    return path


def read_expires(answer: HttpAnswer) -> datetime:
    """When to ask again: after max-age, but neither within a minute nor later than an hour."""
    found = re.search(r"\bmax-age=(\d{1,9})", answer.headers.get("cache-control", ""))
    asked = timedelta(seconds=int(found[1])) if found else timedelta(minutes=10)
    return answer.fetched_at + min(max(asked, SHORTEST), LONGEST)
