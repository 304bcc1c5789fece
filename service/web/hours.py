"""The weather of one night hour by hour, source by source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from statistics import median

from alerts.span import Span
from alerts.weather.cloudhours import CloudHour, cloud_hours
from alerts.weather.record import Forecast, HourlyWeather, LayerScheme, Source
from service.store import tables

_COLUMNS = tuple(field.name for field in fields(HourlyWeather) if field.name not in {"starts", "ends"})


def unpack_hours(row: tables.Forecast, span: Span) -> Forecast:
    """The stored forecast with those hours alone that touch `span`: a page needs a dozen of hundreds."""
    body = row.body
    assert body is not None, "a rejected answer has no values"
    first_s, last_s = span.start.timestamp(), span.end.timestamp()
    edges = enumerate(zip(body["starts"], body["ends"], strict=True))
    kept = [i for i, (starts, ends) in edges if starts < last_s and first_s < ends]
    columns = {name: values for name, values in body["columns"].items() if name in _COLUMNS}
    lat_deg, lon_deg, elevation_m = body["grid"]
    attribution, attribution_url = body["attribution"]
    return Forecast(
        source=Source(
            feed=row.feed,
            provider=row.provider,
            lineage=row.lineage,
            model=row.model,
            attribution=attribution,
            attribution_url=attribution_url,
            issued_at=row.issued_at,
            fetched_at=row.fetched_at,
        ),
        grid_lat_deg=lat_deg,
        grid_lon_deg=lon_deg,
        grid_elevation_m=elevation_m,
        layer_scheme=LayerScheme(body["layers"]),
        hours=tuple(
            HourlyWeather(
                starts=_utc(body["starts"][i]),
                ends=_utc(body["ends"][i]),
                **{name: values[i] for name, values in columns.items()},
            )
            for i in kept
        ),
        members=tuple(tuple(member[i] for i in kept) for member in body["members"]),
    )


def _utc(unix_s: int) -> datetime:
    return datetime.fromtimestamp(unix_s, tz=UTC)


@dataclass(frozen=True, slots=True)
class HourRow:
    """One hour of a night. cloud_pct: the chance that cloud spoils the frame. by_source: total cloud of
    each source in %, None where it doesn't say. The rest: the median of the sources that say."""

    at: datetime
    in_window: bool
    cloud_pct: int | None
    by_source: tuple[float | None, ...]
    temperature_c: float | None
    wind_ms: float | None
    above_dew_c: float | None


@dataclass(frozen=True, slots=True)
class HourTable:
    """The hours of a night; sources in the order of `by_source`."""

    sources: tuple[Source, ...]
    rows: tuple[HourRow, ...]


def hour_table(
    span: Span, window: Span | None, forecasts: Sequence[Forecast], *, now: datetime
) -> HourTable | None:
    """The table over `span`; None when no forecast reaches it."""
    reaching = [forecast for forecast in forecasts if any(True for _ in forecast.over(span))]
    if not reaching:
        return None
    clouds = cloud_hours(span, reaching, now=now)
    return HourTable(
        tuple(forecast.source for forecast in reaching),
        tuple(_row(cloud, window, reaching) for cloud in clouds),
    )


def _row(cloud: CloudHour, window: Span | None, forecasts: Sequence[Forecast]) -> HourRow:
    middle = cloud.span.middle
    hours = [_hour_at(forecast, middle) for forecast in forecasts]
    return HourRow(
        at=cloud.span.start,
        in_window=window is not None and cloud.span.overlap(window) is not None,
        cloud_pct=cloud.cloud_pct,
        by_source=tuple(hour.cloud_total_pct if hour else None for hour in hours),
        temperature_c=_middle([hour.temperature_c for hour in hours if hour]),
        wind_ms=_middle([hour.wind_ms for hour in hours if hour]),
        above_dew_c=_middle([_above_dew(hour) for hour in hours if hour]),
    )


def _hour_at(forecast: Forecast, at: datetime) -> HourlyWeather | None:
    return next((hour for hour in forecast.hours if hour.starts <= at < hour.ends), None)


def _above_dew(hour: HourlyWeather) -> float | None:
    if hour.temperature_c is None or hour.dew_point_c is None:
        return None
    return hour.temperature_c - hour.dew_point_c


def _middle(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None
