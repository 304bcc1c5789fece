"""The values that an outcome is made of: the event, the witnesses, and what each of them says."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.span import Span, intersect
from alerts.track.observations.sky_report import SkyReading


class OutcomeState(StrEnum):
    """Whether the event happened. UNSURE is stored and shown, and not scored."""

    CLEAR = "clear"
    NOT_CLEAR = "not_clear"
    UNSURE = "unsure"


class Judge(StrEnum):
    """The kinds of witness, the best first."""

    PEOPLE = "people"
    STATIONS = "stations"
    ANALYSIS = "analysis"


JUDGE_WORDS = {
    Judge.PEOPLE: "people's reports",
    Judge.STATIONS: "weather stations",
    Judge.ANALYSIS: "a model's later analysis",
}


@dataclass(frozen=True, slots=True)
class Event:
    """What was announced: at least `shortest` of consecutive time with the frame clear, in `window`.

    toward_deg: azimuth of the target at the window's middle; None when no direction was announced.
    Raises BadInput where the window can't hold it, since there is nothing to judge then.
    """

    window: Span
    shortest: timedelta
    toward_deg: float | None = None

    def __post_init__(self) -> None:
        if not timedelta(0) < self.shortest <= self.window.duration:
            raise BadInput(phrase("track.event-does-not-fit", window_min=self.window.minutes))


class SeenSky(StrEnum):
    """What a person can say of a night with one tap."""

    CLEAR = "clear"
    PARTLY = "partly"
    CLOUDY = "cloudy"
    DID_NOT_GO = "did_not_go"


@dataclass(frozen=True, slots=True)
class PersonReport:
    """One person's word. person: an opaque key, so that each has one voice a night.

    clear_span: from when to when it was clear, if they said; toward_deg: the azimuth they looked at.
    """

    person: str
    seen: SeenSky
    reported_at: datetime
    clear_span: Span | None = None
    toward_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Station:
    """A weather station. network: whose report it is (`METAR`, `SYNOP`). elevation_m: None if unknown."""

    name: str
    network: str
    lat_deg: float
    lon_deg: float
    elevation_m: float | None


@dataclass(frozen=True, slots=True)
class SkyReport:
    """One report of a station: when it was observed and reached us, its own words, and who brought it."""

    station: str
    at: datetime
    reading: SkyReading
    raw: str
    received_at: datetime | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class Account:
    """What one witness says of one event.

    clear_parts: stretches seen clear that are long enough for the event. covered_share: of the window.
    weight: 0 when it doesn't count, and `why` says why. height_difference_m: station minus site.
    """

    judge: Judge
    witness: str
    says: OutcomeState
    why: str
    weight: float
    clear_parts: tuple[Span, ...] = ()
    covered_share: float = 0.0
    distance_km: float | None = None
    height_difference_m: float | None = None
    raw: tuple[str, ...] = ()

    @property
    def counts(self) -> bool:
        return self.weight > 0 and self.says is not OutcomeState.UNSURE


MOST_UNKNOWN_SHARE = 0.2
"""With more of the window unknown, a witness can't say: about one report an hour is needed."""


def total(spans: Iterable[Span]) -> timedelta:
    """How much time the spans cover together; they must not overlap."""
    return sum((span.duration for span in spans), timedelta(0))


def joined(spans: Iterable[Span]) -> tuple[Span, ...]:
    """The same time in as few spans as possible, ascending."""
    merged: list[Span] = []
    for span in sorted(spans):
        if merged and span.start <= merged[-1].end:
            merged[-1] = Span(merged[-1].start, max(merged[-1].end, span.end))
        else:
            merged.append(span)
    return tuple(merged)


def longest(spans: Iterable[Span]) -> timedelta:
    """The length of the longest span, nothing when there is none."""
    return max((span.duration for span in spans), default=timedelta(0))


def free_of(window: Span, spans: Sequence[Span]) -> tuple[Span, ...]:
    """What the spans leave of the window."""
    inside = joined(intersect([window], spans))
    edges = [window.start, *(edge for span in inside for edge in (span.start, span.end)), window.end]
    return tuple(Span(start, end) for start, end in list(pairwise(edges))[::2] if start < end)


def long_enough(event: Event, spans: Iterable[Span]) -> tuple[Span, ...]:
    """The stretches inside the window that can hold the event."""
    inside = joined(intersect([event.window], tuple(spans)))
    return tuple(span for span in inside if span.duration >= event.shortest)
