"""The invented week: who, where, and what three made-up models say when.

Made-up names, since no provider is to be credited with invented values; the stages they go through are real.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.weather.forecast import Forecast, LayerScheme, Place, Source
from alerts.weather.hours import HourlyWeather, Hours
from service.feeds.shared.model import Gathered

ZONE = "Europe/Madrid"
SATURDAY = date(2027, 7, 3)
"""A night before new moon: 2027-07-04 03:02 UTC."""

FLAT = Site("Windpump Flat", 40.31, -1.42, 1180.0, ZONE)
PAN = Site("Salt Pan East", 39.95, -1.85, 890.0, ZONE)
RIDGE = Site("Cairn Ridge", 40.75, -1.05, 1540.0, ZONE)
SITES = (FLAT, PAN, RIDGE)

YOU = "you@example.org"
"""Reserved for examples (RFC 2606); its mail goes to the demo's own server."""


@dataclass(frozen=True, slots=True)
class Tick:
    """One cycle of the story. text: what happens in the world, by its key in the catalogue."""

    at: datetime
    text: str


def _utc(day: int, hour: int, minute: int, month: int = 7) -> datetime:
    return datetime(2027, month, day, hour, minute, tzinfo=UTC)


TICKS = (
    Tick(_utc(30, 16, 7, month=6), "demo.wednesday"),
    Tick(_utc(1, 7, 7), "demo.thursday-morning"),
    Tick(_utc(1, 16, 7), "demo.thursday-evening"),
    Tick(_utc(2, 7, 7), "demo.friday-morning"),
    Tick(_utc(2, 16, 7), "demo.friday-evening"),
    Tick(_utc(3, 7, 7), "demo.saturday-morning"),
    Tick(_utc(3, 17, 7), "demo.saturday-to-leave"),
    Tick(_utc(3, 18, 37), "demo.saturday-on-the-road"),
    Tick(_utc(3, 20, 37), "demo.saturday-sours"),
    Tick(_utc(3, 21, 7), "demo.saturday-cloud"),
    Tick(_utc(4, 7, 7), "demo.sunday-morning"),
)

_WEDNESDAY_RUN = _utc(30, 12, 0, month=6)


def invented_sky() -> InventedSky:
    """The script: a clear Saturday that comes true on the ridge, and not on the flat or the pan."""
    return InventedSky(
        {
            _place(FLAT): (
                Turn(_WEDNESDAY_RUN, SATURDAY, 0.0),
                Turn(_utc(3, 3, 0), SATURDAY, 9.0),
                Turn(_utc(3, 18, 0), SATURDAY, 82.0),
            ),
            _place(PAN): (Turn(_WEDNESDAY_RUN, SATURDAY, 28.0), Turn(_utc(2, 3, 0), SATURDAY, 88.0)),
            _place(RIDGE): (Turn(_WEDNESDAY_RUN, SATURDAY, 0.0), Turn(_utc(3, 3, 0), SATURDAY, 1.0)),
        }
    )


def _place(site: Site) -> Place:
    return Place(site.lat_deg, site.lon_deg, site.elevation_m)


HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class InventedModel:
    """A made-up model. bias_pct: how much cloudier than the script it sees things."""

    name: str
    lineage: str
    provider: str
    bias_pct: float


MODELS = (
    InventedModel("lark", "invented-lark", "Invented Weather Office", -4.0),
    InventedModel("plover", "invented-plover", "Invented Weather Office", 2.0),
    InventedModel("curlew", "invented-curlew", "Made-up Met Bureau", 6.0),
)


@dataclass(frozen=True, slots=True)
class Turn:
    """From `issued_from` on, the models see this cloud (percent) over the night of that name."""

    issued_from: datetime
    night: date
    cloud_pct: float
    wind_ms: float = 3.0


@dataclass(frozen=True, slots=True)
class InventedSky:
    """Answers like the feeds do, from a script: one list of turns a place, newest last."""

    script: Mapping[Place, Sequence[Turn]]
    default_cloud_pct: float = 85.0

    def gather(self, places: Sequence[Place], hours: Span) -> Gathered:
        """What the made-up models say at `hours.start` for those places."""
        now = hours.start
        return Gathered(
            forecasts=tuple(self._forecast(place, model, now, hours) for place in places for model in MODELS)
        )

    def _forecast(self, place: Place, model: InventedModel, now: datetime, hours: Span) -> Forecast:
        out = now - HOUR  # the newest three-hourly run that is out; an hour after it begins
        issued_at = out.replace(hour=out.hour - out.hour % 3, minute=0, second=0, microsecond=0)
        first = hours.start.replace(minute=0, second=0, microsecond=0)
        count = math.ceil((hours.end - first) / HOUR) + 1
        records = Hours.of(self._hour(place, model, issued_at, first + i * HOUR) for i in range(count))
        source = Source(
            feed="invented",
            provider=model.provider,
            lineage=model.lineage,
            model=model.name,
            attribution=f"Invented weather of the made-up model {model.name}",
            attribution_url="",
            issued_at=issued_at,
            fetched_at=now,
        )
        return Forecast(
            source, place.lat_deg, place.lon_deg, place.elevation_m, LayerScheme.NONE, records, place=place
        )

    def _hour(self, place: Place, model: InventedModel, issued_at: datetime, at: datetime) -> HourlyWeather:
        # the newest turn known for the night that it falls in (noon to noon UTC)
        night = (at - timedelta(hours=12)).date()
        known = [t for t in self.script.get(place, ()) if t.issued_from <= issued_at and t.night == night]
        turn = known[-1] if known else None
        cloud = turn.cloud_pct if turn else self.default_cloud_pct
        chill = 6 * math.cos((at.hour - 14) * math.tau / 24)
        return HourlyWeather(
            starts=at - HOUR / 2,
            ends=at + HOUR / 2,
            cloud_total_pct=min(100.0, max(0.0, cloud + model.bias_pct)),
            temperature_c=16 + chill,
            dew_point_c=7.0,
            wind_ms=turn.wind_ms if turn else 3.0,
            gust_ms=(turn.wind_ms if turn else 3.0) * 1.6,
            visibility_m=30_000.0,
            precipitation_probability_pct=5.0,
            precipitation_mm=0.0,
        )
