"""SYNOP reports from OGIMET's `getsynop`: total cloud in eighths, for stations that the operator names.

Off unless switched on: the terms of the host aren't clear, and it is slow. Reports carry no place, so each
station is named with its coordinates and height.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.track.observations.coded_reports import read_synop
from alerts.track.observations.evidence import SkyReport, Station
from alerts.track.observations.stations import SYNOP, Observed
from service.common.deadline import Deadline
from service.feeds.shared.checked_answers import bad_shape
from service.feeds.shared.guards import MINUTE_S, Allowance
from service.feeds.shared.http_client import PoliteClient, Request
from service.observations.model import BEFORE_AND_AFTER

NAME = "ogimet.com"
DEFAULT_URL = "http://www.ogimet.com"
ALLOWANCE = Allowance({MINUTE_S: 6}, one_at_a_time=True)
"""It is slow and asks for patience; six a minute is our own choice."""
LONGEST = timedelta(days=31)
_NAMED = re.compile(r"(\d{5})=(-?\d+(?:\.\d+)?),(-?\d+(?:\.\d+)?),(-?\d+(?:\.\d+)?)")
_LINE = re.compile(r"(\d{5}),(\d{4}),(\d\d),(\d\d),(\d\d),(\d\d),(AAXX .*)")


def read_stations(named: Sequence[str]) -> list[Station]:
    """Stations written as `WMO=LAT,LON,ELEVATION_M`. Raises BadInput for anything else."""
    found = []
    for text in named:
        match = _NAMED.fullmatch(text.replace(" ", ""))
        if match is None or abs(float(match[2])) > 90 or abs(float(match[3])) > 180:
            raise BadInput(phrase("observations.no-synop-station", text=text))
        found.append(Station(match[1], SYNOP, float(match[2]), float(match[3]), float(match[4])))
    return found


class Ogimet:
    """The source as one installation uses it."""

    name = NAME

    def __init__(self, client: PoliteClient, base_url: str = DEFAULT_URL) -> None:
        self._client, self._url = client, base_url.rstrip("/")

    def fetch(self, station: Station, hours: Span, deadline: Deadline) -> list[Observed]:
        """The station's reports over the span, of at most 31 days. Raises FeedError."""
        start, end = hours.start - BEFORE_AND_AFTER, hours.end + BEFORE_AND_AFTER
        if end - start > LONGEST:
            raise BadInput(phrase("observations.too-many-days", days=LONGEST.days))
        params = {"block": station.name, "begin": f"{start:%Y%m%d%H%M}", "end": f"{end:%Y%m%d%H%M}"}
        url, headers = f"{self._url}/cgi-bin/getsynop", {"Accept": "text/plain"}
        request = Request(url, params, headers, NAME, tries_when_throttled=1)
        answer = self._client.get(request, deadline)
        return list(parse(answer.body.decode("utf-8", "replace"), {station.name: station}))


def parse(text: str, stations: dict[str, Station]) -> Iterator[Observed]:
    """The reports of known stations, one a line; lines cut before their cloud group are silence.

    Raises BadAnswer for a text that is no list of reports, such as a web page or a note of refusal.
    """
    for line in filter(None, map(str.strip, text.splitlines())):
        match = _LINE.match(line)
        if match is None:
            raise bad_shape(NAME, phrase("observations.no-list-of-reports", line=line[:60]))
        station = stations.get(match[1])
        try:
            at = datetime(*(int(match[i]) for i in range(2, 7)), tzinfo=UTC)  # type: ignore[misc,arg-type]
            reading = read_synop(match[7])
        except (ValueError, BadInput):
            continue
        if station is not None:
            yield Observed(station, SkyReport(station.name, at, reading, match[7]), NAME)
