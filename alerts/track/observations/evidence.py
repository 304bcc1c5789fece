"""The values that an outcome is made of: the event, the witnesses, what their reports say of the sky, and
what each of them says of the event."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, Worded, phrase
from alerts.common.span import Span, intersect


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


CEILOMETER_REACH_FT = 12_000
"""How far up an automatic station looks (FMH-1, 1995, chapter 9), also where the code doesn't say so."""
CAVOK_REACH_FT = 5_000
"""CAVOK and NSC say nothing of what is higher (WMO-No. 306, FM 15)."""


class SkyState(StrEnum):
    """CLEAR is an observer's word. CLEAR_BELOW knows nothing of what is higher. UNKNOWN is silence."""

    CLEAR = "clear"
    CLEAR_BELOW = "clear_below"
    CLOUD = "cloud"
    OBSCURED = "obscured"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class CloudLayer:
    """One layer: its amount in eighths of the sky, its base in feet above the station.

    base_ft: the lowest that the code allows; None when it wasn't measured, or lies below the station.
    """

    okta_min: int
    okta_max: int
    base_ft: float | None = None


@dataclass(frozen=True, slots=True)
class SkyReading:
    """The sky over a station.

    okta_min, okta_max: of the densest layer, a lower bound of the whole; 0..8 while unknown.
    seen_up_to_ft: the height above the station up to which the report states anything; None when no
    limit is stated, because a person looked or because the code leaves it open.
    """

    state: SkyState
    okta_min: int = 0
    okta_max: int = 8
    seen_up_to_ft: int | None = None
    is_automatic: bool = False
    layers: tuple[CloudLayer, ...] = ()

    @property
    def reach_ft(self) -> int | None:
        """How far up the reading may be believed: an unstated limit of an instrument is 12,000 ft. None
        where a person looked, which a higher layer shows as well."""
        if self.seen_up_to_ft is not None or self.state is SkyState.CLEAR:
            return self.seen_up_to_ft
        if any((layer.base_ft or 0) > CEILOMETER_REACH_FT for layer in self.layers):
            return None
        by_instrument = self.is_automatic or self.state is SkyState.CLEAR_BELOW
        return CEILOMETER_REACH_FT if by_instrument else None


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
class Account(Worded):
    """What one witness says of one event.

    clear_parts: stretches seen clear that are long enough for the event. covered_share: of the window.
    weight: 0 when it doesn't count, and `why` says why. height_difference_m: station minus site.
    """

    judge: Judge
    witness: str
    says: OutcomeState
    why: Phrase
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
