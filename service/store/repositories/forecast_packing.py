"""Forecasts packed by column, so that a stored answer costs kilobytes, not tens of them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

from alerts.common.span import Span
from alerts.weather.forecast import Bulletin, CloudLevels, Forecast, LayerScheme, Place, Sight, Source
from alerts.weather.hours import Hours
from service.store.json_values import from_json, to_json
from service.store.schema.core_tables import ForecastRow

_SECOND = timedelta(seconds=1)


def pack(forecast: Forecast) -> dict[str, Any]:
    """The forecast's values as JSON: times in Unix seconds, one list a column, unknown columns left out."""
    source, place = forecast.source, forecast.place
    packed = {
        "grid": [forecast.grid_lat_deg, forecast.grid_lon_deg, forecast.grid_elevation_m],
        "layers": forecast.layer_scheme.value,
        **_pack_hours(forecast.hours),
        "members": [list(member) for member in forecast.members],
        "attribution": [source.attribution, source.attribution_url],
        "place": [place.lat_deg, place.lon_deg, place.elevation_m] if place else None,
    }
    if source.next_due_at:
        packed["next_due_at"] = int(source.next_due_at.timestamp())
    if forecast.sights:
        packed["sights"] = [_pack_sight(sight) for sight in forecast.sights]
    if forecast.cloud_before_pct:
        packed["before"] = [None if value is None else round(value) for value in forecast.cloud_before_pct]
    if forecast.bulletins:
        packed["bulletins"] = [to_json(bulletin) for bulletin in forecast.bulletins]
    if forecast.levels:
        packed["levels"] = _pack_levels(forecast.levels)
    return packed


def _pack_hours(hours: Hours) -> dict[str, Any]:
    if not hours:
        return {"starts": [], "ends": [], "columns": {}}
    columns = {name: list(column) for name, column in hours.known_columns().items()}
    return {**_pack_times(tuple(hours.starts), tuple(hours.ends)), "columns": columns}


def _pack_times(starts: tuple[datetime, ...], ends: tuple[datetime, ...]) -> dict[str, Any]:
    """First start, step and count where these give all times back; else all starts and ends."""
    regular = int(starts[0].timestamp()), (ends[0] - starts[0]) // _SECOND, len(starts)
    if (starts, ends) == _times(*regular):
        return {"hours": list(regular)}
    return {
        "starts": [int(each.timestamp()) for each in starts],
        "ends": [int(each.timestamp()) for each in ends],
    }


def _pack_sight(sight: Sight) -> dict[str, Any]:
    return {
        "window": [sight.window.start.timestamp(), sight.window.end.timestamp()],
        "frame": [sight.azimuth_deg, sight.altitude_deg, sight.places],
        "directions": [list(each) for each in sight.directions],
        **_pack_hours(sight.hours),
    }


def _pack_levels(levels: CloudLevels) -> dict[str, Any]:
    """Cover and heights in whole per cent and metres, as they come."""
    return {
        "hpa": list(levels.pressures_hpa),
        "cloud": [[None if each is None else round(each) for each in row] for row in levels.cloud_pct],
        "height": [[None if each is None else round(each) for each in row] for row in levels.height_m],
    }


def unpack(row: ForecastRow) -> Forecast:
    """The forecast that was packed into this row, which must not be a rejected one."""
    body = row.body
    assert body is not None, "a rejected answer has no values"
    lat_deg, lon_deg, elevation_m = body["grid"]
    place = body.get("place")
    return Forecast(
        source=_unpack_source(row, body),
        grid_lat_deg=lat_deg,
        grid_lon_deg=lon_deg,
        grid_elevation_m=elevation_m,
        layer_scheme=LayerScheme(body["layers"]),
        hours=Hours(*_unpack_times(body), body["columns"]),
        members=tuple(tuple(member) for member in body["members"]),
        place=Place(*place) if place else None,
        sights=tuple(_unpack_sight(sight) for sight in body.get("sights", ())),
        cloud_before_pct=tuple(body.get("before", ())),
        bulletins=tuple(from_json(Bulletin, bulletin) for bulletin in body.get("bulletins", ())),
        levels=_unpack_levels(body.get("levels")),
    )


def _unpack_levels(packed: dict[str, Any] | None) -> CloudLevels | None:
    if packed is None:
        return None
    return CloudLevels(
        pressures_hpa=tuple(packed["hpa"]),
        cloud_pct=tuple(map(tuple, packed["cloud"])),
        height_m=tuple(map(tuple, packed["height"])),
    )


def unpack_over(row: ForecastRow, span: Span) -> Forecast:
    """As `unpack`, with those hours alone that touch `span`: a page needs a dozen of hundreds."""
    body = row.body
    assert body is not None, "a rejected answer has no values"
    hours = Hours(*_unpack_times(body), body["columns"])
    within = hours.cut(span).within
    lat_deg, lon_deg, elevation_m = body["grid"]
    return Forecast(
        source=_unpack_source(row, body),
        grid_lat_deg=lat_deg,
        grid_lon_deg=lon_deg,
        grid_elevation_m=elevation_m,
        layer_scheme=LayerScheme(body["layers"]),
        hours=hours[within],
        members=tuple(tuple(member[within]) for member in body["members"]),
    )


def _unpack_source(row: ForecastRow, body: dict[str, Any]) -> Source:
    attribution, attribution_url = body["attribution"]
    next_due_at = body.get("next_due_at")
    return Source(
        feed=row.feed,
        provider=row.provider,
        lineage=row.lineage,
        model=row.model,
        attribution=attribution,
        attribution_url=attribution_url,
        issued_at=row.issued_at,
        fetched_at=row.confirmed_at or row.fetched_at,
        unchanged_since=row.unchanged_since,
        next_due_at=_utc(next_due_at) if next_due_at is not None else None,
    )


def _unpack_times(body: dict[str, Any]) -> tuple[Sequence[datetime], Sequence[datetime]]:
    if "hours" in body:
        first, step_s, count = body["hours"]
        return _times(first, step_s, count)
    return [_utc(each) for each in body["starts"]], [_utc(each) for each in body["ends"]]


@lru_cache(maxsize=64)
def _times(first: int, step_s: int, count: int) -> tuple[tuple[datetime, ...], tuple[datetime, ...]]:
    """Starts and ends, shared by all forecasts over the same hours."""
    edges = tuple(_utc(first + k * step_s) for k in range(count + 1))
    return edges[:-1], edges[1:]


def _unpack_sight(sight: dict[str, Any]) -> Sight:
    start, end = sight["window"]
    azimuth_deg, altitude_deg, places = sight["frame"]
    return Sight(
        window=Span(_utc(start), _utc(end)),
        azimuth_deg=azimuth_deg,
        altitude_deg=altitude_deg,
        places=places,
        hours=Hours(*_unpack_times(sight), sight["columns"]),
        directions=tuple((each[0], each[1]) for each in sight["directions"]),
    )


def _utc(unix_s: float) -> datetime:
    return datetime.fromtimestamp(unix_s, tz=UTC)
