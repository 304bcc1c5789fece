"""Official warnings, asked by place: what the two warning feeds share. Reading is pure.

Both answer with a GeoJSON FeatureCollection in which every feature is one alert in the terms of the Common
Alerting Protocol 1.2. Only alerts that are meant ("Actual") and not cancelled count.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from typing import Any

from alerts.common.phrases import Phrase, phrase, say
from alerts.common.span import Span
from alerts.weather.forecast import Bulletin, OfficialWarning, Place, Severity
from alerts.weather.models import ModelRow, Terms
from alerts.weather.quality_gates import QualityCheck
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
from service.feeds.shared.checked_answers import BadAnswer, as_dict, as_list, as_text, bad_shape, load_json
from service.feeds.shared.model import FeedFailure, Gathered, join
from service.feeds.shared.time_marks import parse_instant

CELL_DEG = 0.05
"""Places in one square of this side share a request: warnings are drawn for counties and coasts."""
MOST_WARNINGS = 500
LONGEST_TEXT = 300


@dataclass(frozen=True, slots=True)
class Service:
    """One authority's service. served: where it is asked about at all.

    base_url, path, query: its address and the parameters for a place, where `{lat}` and `{lon}` are written.
    read: one feature into a warning, None when it doesn't count.
    """

    feed: str
    terms: Terms
    base_url: str
    path: str
    query: Mapping[str, str]
    served: Sequence[Region]
    read: Callable[[Mapping[str, Any]], OfficialWarning | None]
    expires: Callable[[http_client.HttpAnswer], datetime]
    headers: Mapping[str, str] = field(default_factory=dict)


class WarningsFeed:
    """One authority's warnings, asked by place. base_url: another address for a proxy of one's own."""

    off_because: Phrase | None = None

    def __init__(self, service: Service, *, base_url: str | None = None) -> None:
        self.service, self.name = service, service.feed
        self.url = f"{(base_url or service.base_url).rstrip('/')}{service.path}"

    def models_at(self, place: Place) -> tuple[ModelRow, ...]:
        """None: warnings are no forecast."""
        return ()

    def fetch(self, places: Sequence[Place], hours: Span, round_: AskRound) -> Gathered:
        """One bulletin a place that is served: what is in force now or announced, whatever `hours` says.

        Along a line of sight nobody stands, so nobody is warned.
        """
        service = self.service
        shared: dict[str, list[Place]] = {}
        for place in dict.fromkeys(places):
            if not place.is_aside and any(region.contains(place) for region in service.served):
                key = cell_key(f"{service.feed}/", place, CELL_DEG, by_height=False)
                shared.setdefault(key, []).append(place)
        parts = []
        for key, there in shared.items():
            lat, lon = short_degrees(there[0].lat_deg), short_degrees(there[0].lon_deg)
            params = {name: text.format(lat=lat, lon=lon) for name, text in service.query.items()}
            request = http_client.Request(
                self.url, params, service.headers, service.feed, tries_when_throttled=1
            )
            alone = there[0] if len(there) == 1 else None
            question = Question(request, key, service.expires, "warnings", alone)
            parts.append(ask(question, round_, partial(self._read, there)))
        return join(parts)

    def _read(self, places: Sequence[Place], stored: StoredAnswer) -> Gathered:
        bulletin = parse_bulletin(stored.body, self.service, asked_at=stored.fetched_at)
        failures = tuple(
            FeedFailure(self.name, "warnings", what, QualityCheck.SHAPE, place)
            for place in places
            for what in bulletin.unread
        )
        return Gathered(bulletins=tuple((place, bulletin) for place in places), failures=failures)


def parse_bulletin(body: bytes, service: Service, *, asked_at: datetime | None) -> Bulletin:
    """All warnings in the answer that can be read, and what can't be; BadAnswer when none can."""
    answer = as_dict(load_json(body, service.feed), service.feed, "the answer")
    features = as_list(answer.get("features"), service.feed, "features")
    if len(features) > MOST_WARNINGS:
        raise bad_shape(service.feed, phrase("feeds.too-many-warnings", count=len(features)))
    unread: list[BadAnswer] = []
    warnings = []
    for feature in features:
        try:
            warning = service.read(as_dict(feature, service.feed, "a feature"))
        except BadAnswer as error:
            unread.append(error)
        else:
            warnings += [warning] if warning is not None else []
    if unread and len(unread) == len(features):
        raise unread[0]
    return Bulletin(
        feed=service.feed,
        authority=service.terms.provider,
        attribution=say("models.attribution", credit=service.terms.credit),
        attribution_url=service.terms.attribution_url,
        warnings=tuple(warnings),
        asked_at=asked_at,
        unread=tuple(dict.fromkeys(phrase("feeds.warning-unread", what=error.what) for error in unread)),
    )


def read_severity(value: object) -> Severity:
    """CAP's word; anything else is unknown, which isn't minor."""
    words = {each.value: each for each in Severity}
    return words.get(str(value).lower(), Severity.UNKNOWN)


def read_span(feed: str, start: object, end: object) -> Span | None:
    """From two ISO times with offsets; None when nothing lies between them."""
    instants = []
    for value in (start, end):
        text = as_text(value, feed, "time")
        try:
            instants.append(parse_instant(text))
        except ValueError as error:
            raise BadAnswer.about(
                feed, phrase("feeds.no-time", text=text[:40]), QualityCheck.TIMES
            ) from error
    return Span(instants[0], instants[1]) if instants[0] < instants[1] else None


def short(value: object) -> str:
    """A text of theirs on one line, cut where it gets long; "" for anything else."""
    if not isinstance(value, str):
        return ""
    line = " ".join("".join(letter if letter.isprintable() else " " for letter in value).split())
    return line if len(line) <= LONGEST_TEXT else line[: LONGEST_TEXT - 1] + "…"


def first_said(feed: str, name: str, *texts: object) -> str:
    """The first that says something, on one line; BadAnswer when none does."""
    for text in texts:
        if line := short(text):
            return line
    raise bad_shape(feed, phrase("feeds.wrong-kind", name=name, wanted="text"))


def is_web(value: object) -> bool:
    """Whether it is an address that may be shown as a link."""
    return isinstance(value, str) and value.startswith(("https://", "http://")) and len(value) < 500
