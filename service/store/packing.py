"""Forecasts packed by column, so that a stored answer costs kilobytes, not tens of them."""

from __future__ import annotations

from dataclasses import fields
from datetime import UTC, datetime
from typing import Any

from alerts.weather.record import Forecast, HourlyWeather, LayerScheme, Source
from service.store import tables

_COLUMNS = tuple(field.name for field in fields(HourlyWeather) if field.name not in {"starts", "ends"})


def pack(forecast: Forecast) -> dict[str, Any]:
    """The forecast's values as JSON: times in Unix seconds, one list a column, unknown columns left out."""
    columns = {name: [getattr(hour, name) for hour in forecast.hours] for name in _COLUMNS}
    known = {name: values for name, values in columns.items() if any(v is not None for v in values)}
    return {
        "grid": [forecast.grid_lat_deg, forecast.grid_lon_deg, forecast.grid_elevation_m],
        "layers": forecast.layer_scheme.value,
        "starts": [int(hour.starts.timestamp()) for hour in forecast.hours],
        "ends": [int(hour.ends.timestamp()) for hour in forecast.hours],
        "columns": known,
        "members": [list(member) for member in forecast.members],
        "attribution": [forecast.source.attribution, forecast.source.attribution_url],
    }


def unpack(row: tables.Forecast) -> Forecast:
    """The forecast that was packed into this row, which must not be a rejected one."""
    body = row.body
    assert body is not None, "a rejected answer has no values"
    lat_deg, lon_deg, elevation_m = body["grid"]
    columns: dict[str, list[Any]] = body["columns"]
    hours = tuple(
        HourlyWeather(
            starts=_utc(starts), ends=_utc(ends), **{name: values[i] for name, values in columns.items()}
        )
        for i, (starts, ends) in enumerate(zip(body["starts"], body["ends"], strict=True))
    )
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
        hours=hours,
        members=tuple(tuple(member) for member in body["members"]),
    )


def _utc(unix_s: int) -> datetime:
    return datetime.fromtimestamp(unix_s, tz=UTC)
