"""Plain values for the weather's own tests: invented forecasts with layers, places and lines of sight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import settings

from alerts.common.span import Span
from alerts.weather import hazards
from alerts.weather.chance import look_at_cloud
from alerts.weather.forecast import Forecast, LayerScheme, Place, Sight, Source
from alerts.weather.hours import HourlyWeather, Hours
from alerts.weather.outlook import Hazard, Outlook
from alerts.weather.source_chance import EventQuery

UNHURRIED = settings(deadline=None)
HOUR = timedelta(hours=1)
NOW = datetime(2026, 7, 15, 16, tzinfo=UTC)
WINDOW = Span(datetime(2026, 7, 16, 2, tzinfo=UTC), datetime(2026, 7, 16, 6, tzinfo=UTC))
"""Four whole hours, ten hours from now."""
SITE = Place(45.87, 11.80, 1700.0)


def source(lineage: str = "icon", provider: str = "Open-Meteo", **changes: Any) -> Source:
    given: dict[str, Any] = {"issued_at": NOW - HOUR, "fetched_at": NOW} | changes
    return Source(
        "open-meteo", provider, lineage, f"{lineage} model", "credit", "https://example.org", **given
    )


def hour(starts: datetime = WINDOW.start, **values: Any) -> HourlyWeather:
    """A clear, mild, calm hour with everything known; a layer given alone is the total too."""
    layers = {name: values.get(name, 0.0) for name in ("cloud_low_pct", "cloud_mid_pct", "cloud_high_pct")}
    known = [value for value in layers.values() if value is not None]
    given: dict[str, Any] = {
        **layers,
        "cloud_total_pct": max(known, default=None),
        "fog_pct": 0.0,
        "temperature_c": 15.0,
        "dew_point_c": 5.0,
        "wind_ms": 2.0,
        "gust_ms": 4.0,
        "precipitation_probability_pct": 0.0,
        "precipitation_mm": 0.0,
        "thunder_probability_pct": 0.0,
    }
    return HourlyWeather(starts, starts + HOUR, **(given | values))


def hours(count: int = 4, starts: datetime = WINDOW.start, **values: Any) -> tuple[HourlyWeather, ...]:
    return tuple(hour(starts + k * HOUR, **values) for k in range(count))


def forecast(records: Sequence[HourlyWeather] | None = None, **changes: Any) -> Forecast:
    """Four clear hours over the window unless told otherwise."""
    given: dict[str, Any] = {
        "source": source(),
        "grid_lat_deg": SITE.lat_deg,
        "grid_lon_deg": SITE.lon_deg,
        "grid_elevation_m": None,
        "layer_scheme": LayerScheme.OPEN_METEO,
        "hours": Hours.of(hours() if records is None else records),
        "place": SITE,
    }
    return Forecast(**(given | changes))


def sight(records: Sequence[HourlyWeather], **changes: Any) -> Sight:
    given: dict[str, Any] = {
        "window": WINDOW,
        "azimuth_deg": 140.0,
        "altitude_deg": 15.0,
        "places": 4,
        "hours": Hours.of(records),
    }
    return Sight(**(given | changes))


def with_sight(overhead: Forecast, records: Sequence[HourlyWeather], **changes: Any) -> Forecast:
    return replace(overhead, sights=(sight(records, **changes),))


def look(*forecasts: Forecast, **how: Any) -> Outlook:
    trip = how.pop("trip", None)
    given: dict[str, Any] = {"shortest": HOUR, "now": NOW, "is_night_of": True} | how
    return look_at_cloud(EventQuery(WINDOW, **given), forecasts).on_trip(trip)


def assess_hazards(
    window: Span,
    forecasts: Sequence[Forecast],
    *,
    shooting: Span | None = None,
    trip: Span | None = None,
    air: Sequence[Forecast] = (),
) -> tuple[Hazard, ...]:
    """Every hazard, one of each name, in a fixed order, without official warnings.

    shooting: when comfort counts; trip: from leave-by to home, when safety counts; both by default the
    window. air: what tells of aerosols. Safety looks at the worst value of any source. A value that no
    source has for 80 % of the window, or of what the shooting shares with it, is `unknown`, except when
    what is known already fails.
    """
    shooting, trip = shooting or window, trip or window
    must, sources = shooting.overlap(window) or shooting, [each.hours for each in forecasts]
    there = hazards.worst_of(sources, shooting, must)
    on_site = hazards.assess_on_site(there, hazards.worst_of([each.hours for each in air], shooting, must))
    return (*hazards.assess_trip(there, hazards.worst_of(sources, trip, window)), *on_site)
