"""MET Norway's Locationforecast, asked by its terms (api.met.no/doc/TermsOfService).

At most four decimals, whole metres, nothing asked again before `Expires` and then only on condition
with the `Last-Modified` that it sent, word for word. A 403 or 429 ends the round at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime

from alerts.span import Span
from alerts.weather.lineage import MET_NORWAY
from alerts.weather.record import Place
from service.feeds.asking import Patience, Question, ask
from service.feeds.base import Gathered
from service.feeds.cache import AnswerCache, StoredAnswer
from service.feeds.deadline import Deadline
from service.feeds.http import Answer, PoliteClient
from service.feeds.metno_answer import parse

DEFAULT_URL = "https://api.met.no"
SHORTEST, LONGEST = timedelta(minutes=5), timedelta(hours=2)
"""Bounds on what an Expires is believed; it is 24 to 30 minutes ahead as a rule."""


class MetNorway:
    """The feed as one installation uses it. base_url: another address for a proxy of one's own."""

    name = MET_NORWAY
    off_because: str | None = None

    def __init__(self, *, base_url: str = DEFAULT_URL) -> None:
        self._url = f"{base_url.rstrip('/')}/weatherapi/locationforecast/2.0/complete"

    def fetch(
        self,
        places: Sequence[Place],
        hours: Span,
        client: PoliteClient,
        cache: AnswerCache,
        deadline: Deadline,
    ) -> Gathered:
        """One forecast a place; the feed always sends all it has, whatever `hours` says."""
        patience = Patience()
        return sum(
            (self._fetch_place(place, client, cache, deadline, patience) for place in places), Gathered()
        )

    def _fetch_place(
        self,
        place: Place,
        client: PoliteClient,
        cache: AnswerCache,
        deadline: Deadline,
        patience: Patience,
    ) -> Gathered:
        params = build_params(place)
        question = Question(
            feed=self.name,
            model="",
            key=f"{self.name}?{'&'.join(f'{name}={value}' for name, value in params.items())}",
            url=self._url,
            params=params,
            expires=read_expires,
            place=place,
            tries_when_throttled=1,
        )

        def read(stored: StoredAnswer) -> Gathered:
            return parse(
                stored.body,
                fetched_at=stored.fetched_at,
                place=place,
                unchanged_since=stored.unchanged_since,
            )

        return ask(question, client, cache, deadline, read, patience)


def build_params(place: Place) -> dict[str, str]:
    """The query for a place: four decimals at most, whole metres, no altitude when it isn't known."""
    params = {"lat": short_degrees(place.lat_deg), "lon": short_degrees(place.lon_deg)}
    if place.elevation_m is not None:
        params["altitude"] = str(round(place.elevation_m))
    return params


def short_degrees(degrees: float) -> str:
    """Degrees with at most four decimals and no trailing zeros, as both MET and the NWS want them."""
    text = f"{degrees:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def read_expires(answer: Answer) -> datetime:
    """When the feed may be asked again; half an hour ahead when it didn't say, and within bounds."""
    now = answer.fetched_at
    try:
        expires = parsedate_to_datetime(answer.headers.get("expires", ""))
    except ValueError:
        expires = now + timedelta(minutes=30)
    expires = expires if expires.tzinfo else expires.replace(tzinfo=UTC)
    return min(max(expires.astimezone(UTC), now + SHORTEST), now + LONGEST)
