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
        packed["sights"] = [
            {
                "window": [sight.window.start.timestamp(), sight.window.end.timestamp()],
                "frame": [sight.azimuth_deg, sight.altitude_deg, sight.places],
                "directions": [list(each) for each in sight.directions],
                **_pack_hours(sight.hours),
            }
            for sight in forecast.sights
        ]
    if forecast.cloud_before_pct:
        packed["before"] = [None if value is None else round(value) for value in forecast.cloud_before_pct]
    if forecast.bulletins:
        packed["bulletins"] = [to_json(bulletin) for bulletin in forecast.bulletins]
    if (levels := forecast.levels) is not None:  # in whole per cent and metres, as they come
        packed["levels"] = {
            "hpa": list(levels.pressures_hpa),
            "cloud": [[None if each is None else round(each) for each in row] for row in levels.cloud_pct],
            "height": [[None if each is None else round(each) for each in row] for row in levels.height_m],
        }
    return packed


def _pack_hours(hours: Hours) -> dict[str, Any]:
    """Of the times the first start, step and count where these give all of them back; else all of them."""
    if not hours:
        return {"starts": [], "ends": [], "columns": {}}
    columns = {name: list(column) for name, column in hours.known_columns().items()}
    starts, ends = tuple(hours.starts), tuple(hours.ends)
    regular = int(starts[0].timestamp()), (ends[0] - starts[0]) // _SECOND, len(starts)
    if (starts, ends) == _times(*regular):
        return {"hours": list(regular), "columns": columns}
    return {
        "starts": [int(each.timestamp()) for each in starts],
        "ends": [int(each.timestamp()) for each in ends],
        "columns": columns,
    }


def unpack(row: ForecastRow, over: Span | None = None) -> Forecast:
    """The forecast that was packed into this row, which must not be a rejected one.

    over: with those of its hours alone that touch that span, and nothing beside them: a page needs a dozen of
    hundreds.
    """
    body = row.body
    assert body is not None, "a rejected answer has no values"
    attribution, attribution_url = body["attribution"]
    next_due_at = body.get("next_due_at")
    source = Source(
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
    lat_deg, lon_deg, elevation_m = body["grid"]
    hours, scheme = Hours(*_unpack_times(body), body["columns"]), LayerScheme(body["layers"])
    if over is not None:
        within = hours.cut(over).within
        members = tuple(tuple(member[within]) for member in body["members"])
        return Forecast(source, lat_deg, lon_deg, elevation_m, scheme, hours[within], members)
    place, levels = body.get("place"), body.get("levels")
    return Forecast(
        source,
        lat_deg,
        lon_deg,
        elevation_m,
        scheme,
        hours,
        tuple(tuple(member) for member in body["members"]),
        place=Place(*place) if place else None,
        sights=tuple(_unpack_sight(sight) for sight in body.get("sights", ())),
        cloud_before_pct=tuple(body.get("before", ())),
        bulletins=tuple(from_json(Bulletin, bulletin) for bulletin in body.get("bulletins", ())),
        levels=None
        if levels is None
        else CloudLevels(
            pressures_hpa=tuple(levels["hpa"]),
            cloud_pct=tuple(map(tuple, levels["cloud"])),
            height_m=tuple(map(tuple, levels["height"])),
        ),
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
