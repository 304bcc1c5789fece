"""One model's cloud along the line of sight, put together from the places that were asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import fmean
from typing import Any

from alerts.common.span import Span
from alerts.weather.clouds import joint_cover_pct
from alerts.weather.forecast import Forecast, HourlyWeather, LayerScheme, Place, Sight
from alerts.weather.line_of_sight import Crossing, Layer, View, crossings, nearest_place

_FIELDS = {
    Layer.LOW: "cloud_low_pct",
    Layer.MID: "cloud_mid_pct",
    Layer.HIGH: "cloud_high_pct",
    Layer.TOTAL: "cloud_total_pct",
}


@dataclass(frozen=True, slots=True)
class _Spot:
    """A crossing, and the records over the window of the forecast that stands for it, by their start."""

    crossing: Crossing
    records: Mapping[datetime, HourlyWeather]


def look_along(overhead: Forecast, aside: Mapping[Place, Forecast], view: View, window: Span) -> Sight | None:
    """What the model has where the view crosses its layers; None when no place besides the site was told.

    overhead: the forecast for the site, whose `place` must be known. aside: the same model's forecasts by
    place. A layer is the mean over the directions and altitudes of the frame; an hour that one of the
    places doesn't know is unknown, and a layer below the site counts as clear.
    """
    if not aside:
        return None
    spots = _spots(overhead, aside, view, window)
    hours = [hour for _, hour in overhead.over(window)]
    seen = tuple(_seen(hour, overhead.layer_scheme, spots) for hour in hours)
    return Sight(
        window=window,
        azimuth_deg=view.azimuth_deg,
        altitude_deg=view.altitude_deg,
        places=len(aside),
        hours=seen,
        directions=_by_direction(hours, overhead.layer_scheme, spots, view),
    )


def _spots(
    overhead: Forecast, aside: Mapping[Place, Forecast], view: View, window: Span
) -> tuple[_Spot, ...]:
    site = overhead.place
    assert site is not None, "a forecast was asked for some place"
    records = {
        place: {hour.starts: hour for _, hour in forecast.over(window)}
        for place, forecast in {site: overhead, **aside}.items()
    }
    found = crossings(site, view, overhead.layer_scheme)
    return tuple(_Spot(each, records[nearest_place(each, tuple(aside), site)]) for each in found)


def _seen(hour: HourlyWeather, scheme: LayerScheme, spots: Sequence[_Spot]) -> HourlyWeather:
    """The hour's cloud over those spots; all else left unknown."""
    columns: dict[str, list[float | None]] = {}
    for spot in spots:
        columns.setdefault(_FIELDS[spot.crossing.layer], []).append(_value(spot, hour))
    cover: dict[str, Any] = {field: _mean(values) for field, values in columns.items()}
    if scheme is not LayerScheme.NONE:
        cover = {field: cover.get(field, 0.0) for layer, field in _FIELDS.items() if layer != Layer.TOTAL}
    return HourlyWeather(hour.starts, hour.ends, **cover)


def _value(spot: _Spot, hour: HourlyWeather) -> float | None:
    """The spot's layer in the record that holds the hour's middle."""
    record = spot.records.get(hour.starts)
    if record is None:
        middle = hour.starts + hour.step / 2
        record = next((each for each in spot.records.values() if each.starts <= middle < each.ends), None)
    return None if record is None else getattr(record, _FIELDS[spot.crossing.layer])


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return fmean(known) if len(known) == len(values) else None


def _by_direction(
    hours: Sequence[HourlyWeather], scheme: LayerScheme, spots: Sequence[_Spot], view: View
) -> tuple[tuple[float, float], ...]:
    """Azimuth and mean cover over the window for each direction of the fan; unknown ones left out."""
    found = []
    for azimuth_deg in view.directions_deg:
        there = [spot for spot in spots if spot.crossing.azimuth_deg == azimuth_deg]
        covers = [_cover(_seen(hour, scheme, there), scheme, view) for hour in hours]
        mean = _mean(covers) if covers else None
        if mean is not None:
            found.append((round(azimuth_deg, 1), round(mean, 1)))
    return tuple(found)


def _cover(hour: HourlyWeather, scheme: LayerScheme, view: View) -> float | None:
    if scheme is LayerScheme.NONE:
        return hour.cloud_total_pct
    return joint_cover_pct(hour, view.altitude_deg)
