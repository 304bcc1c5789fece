"""The one typed record that every feed is turned into."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from alerts.span import Span


class LayerScheme(StrEnum):
    """What low, mid and high cloud mean; layers compare only within one scheme."""

    OPEN_METEO = "om-3-8"  # to 3 km / 3-8 km / above 8 km
    MET_NORWAY = "met-2-5"  # to 2 km / 2-5 km / above 5 km above ground
    NONE = "none"  # total only


@dataclass(frozen=True, slots=True)
class HourlyWeather:
    """The weather of one valid time. None means unknown, never zero.

    starts, ends: the span of UTC time that the instant values stand for (an instant feed's value
    at 21:00 stands for 20:30..21:30, a stepped one's for its interval).
    precipitation and gust already belong to this span, whatever the feed's own convention.
    """

    starts: datetime
    ends: datetime
    cloud_total_pct: float | None = None
    cloud_low_pct: float | None = None
    cloud_mid_pct: float | None = None
    cloud_high_pct: float | None = None
    fog_pct: float | None = None
    visibility_m: float | None = None
    temperature_c: float | None = None
    dew_point_c: float | None = None
    relative_humidity_pct: float | None = None
    wind_ms: float | None = None
    gust_ms: float | None = None
    precipitation_probability_pct: float | None = None
    precipitation_mm: float | None = None
    thunder_probability_pct: float | None = None

    @property
    def step(self) -> timedelta:
        return self.ends - self.starts


@dataclass(frozen=True, slots=True)
class Source:
    """Where a forecast came from; travels with everything that is made of it."""

    feed: str
    provider: str
    lineage: str
    model: str
    attribution: str
    attribution_url: str
    issued_at: datetime | None = None
    fetched_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """One model's answer for one place.

    hours: ascending, not overlapping; gaps are unknown.
    members: for ensembles, one row a member, each as long as `hours`: total cloud in %.
    """

    source: Source
    grid_lat_deg: float
    grid_lon_deg: float
    grid_elevation_m: float | None
    layer_scheme: LayerScheme
    hours: tuple[HourlyWeather, ...]
    members: tuple[tuple[float | None, ...], ...] = ()

    def over(self, span: Span) -> Iterator[tuple[Span, HourlyWeather]]:
        """The records that touch `span`, each with the part they share."""
        for hour in self.hours:
            if hour.starts < span.end and span.start < hour.ends:
                yield Span(max(hour.starts, span.start), min(hour.ends, span.end)), hour
