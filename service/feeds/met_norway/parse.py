"""MET Norway's Locationforecast answers (complete or compact) into forecasts: pure.

Format: api.met.no/doc/locationforecast/datamodel. A GeoJSON Feature whose `properties.timeseries`
holds values of the moment and of the 1 and 6 hours that FOLLOW; a missing value is a missing key.

Time: steps are hourly for two to three days, then six-hourly. A record stands for half a step to each
side of its moment, so a late one spans six hours; nothing is interpolated between. Precipitation and
its chances belong to the hour, or the six, that START at their time stamp; a record takes the highest
chance of the periods it touches and each one's share by time of the amount.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from datetime import datetime, timedelta
from typing import Any, TypeAlias

from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.weather.forecast import Forecast, Place
from alerts.weather.hours import Hours
from alerts.weather.models import MET_NORWAY, get_model
from alerts.weather.quality_gates import QualityCheck, check_rising
from service.feeds.shared.checked_answers import (
    AS_IS,
    BadAnswer,
    Units,
    as_dict,
    as_list,
    as_number,
    as_text,
    bad_shape,
    in_our_unit,
    load_json,
    raise_if,
)
from service.feeds.shared.model import Gathered, build_source, judge_quality, leaving_out
from service.feeds.shared.time_marks import HOUR, instant_spans, over_periods, parse_instant

MOST_STEPS = 1000
SIX_HOURS = 6 * HOUR

_PERCENT: Units = {"%": AS_IS}
_CELSIUS: Units = {"celsius": AS_IS}
_SPEED: Units = {"m/s": AS_IS}
CLOUD = "cloud_area_fraction"
_INSTANT = {
    CLOUD: ("cloud_total_pct", _PERCENT),
    "cloud_area_fraction_low": ("cloud_low_pct", _PERCENT),
    "cloud_area_fraction_medium": ("cloud_mid_pct", _PERCENT),
    "cloud_area_fraction_high": ("cloud_high_pct", _PERCENT),
    "fog_area_fraction": ("fog_pct", _PERCENT),
    "air_temperature": ("temperature_c", _CELSIUS),
    "dew_point_temperature": ("dew_point_c", _CELSIUS),
    "relative_humidity": ("relative_humidity_pct", _PERCENT),
    "wind_speed": ("wind_ms", _SPEED),
    "wind_speed_of_gust": ("gust_ms", _SPEED),
}
_AMOUNT = "precipitation_amount"
_FOLLOWING = {
    "probability_of_precipitation": ("precipitation_probability_pct", _PERCENT),
    "probability_of_thunder": ("thunder_probability_pct", _PERCENT),
    _AMOUNT: ("precipitation_mm", {"mm": AS_IS}),
}
_NORDIC_ONLY = {"wind_speed_of_gust", "air_temperature_percentile_10", "wind_speed_percentile_10"}
"""Values that only the Nordic area has; everywhere else the model is ECMWF's."""


def parse(
    body: bytes,
    *,
    fetched_at: datetime | None,
    place: Place | None = None,
    unchanged_since: datetime | None = None,
) -> Gathered:
    """The one forecast in the answer, or the failure that tells which gate closed.

    Raises BadAnswer when the body can't be read at all.
    """
    answer = as_dict(load_json(body, MET_NORWAY), MET_NORWAY, "the answer")
    properties = as_dict(answer.get("properties"), MET_NORWAY, "properties")
    meta = as_dict(properties.get("meta"), MET_NORWAY, "properties.meta")
    series = as_list(properties.get("timeseries"), MET_NORWAY, "properties.timeseries")
    if not 0 < len(series) <= MOST_STEPS:
        raise bad_shape(MET_NORWAY, phrase("feeds.steps", count=len(series), most=MOST_STEPS))
    unread: list[BadAnswer] = []
    times, instants, followed = zip(*(_read_step(element, unread) for element in series), strict=True)
    raise_if(check_rising(times), MET_NORWAY)
    units = as_dict(meta.get("units"), MET_NORWAY, "properties.meta.units")
    lon_deg, lat_deg, elevation_m = _read_point(answer)
    row = get_model(MET_NORWAY, "nordic" if any(map(_NORDIC_ONLY.intersection, instants)) else "global")
    issued_at = _time(meta.get("updated_at"), "updated_at")
    forecast = Forecast(
        build_source(row, issued_at=issued_at, fetched_at=fetched_at, unchanged_since=unchanged_since),
        lat_deg,
        lon_deg,
        elevation_m,
        row.layer_scheme,
        _build_hours(times, instants, followed, units, unread),
        place=place,
    )
    return judge_quality(forecast, row, tuple({str(error): error for error in unread}.values()))


def _time(value: object, name: str) -> datetime:
    text = as_text(value, MET_NORWAY, name)
    try:
        return parse_instant(text)
    except ValueError as error:
        raise BadAnswer.about(
            MET_NORWAY, phrase("feeds.no-time-named", name=name, text=text[:40]), QualityCheck.TIMES
        ) from error


def _read_point(answer: Mapping[str, Any]) -> tuple[float, float, float | None]:
    geometry = as_dict(answer.get("geometry"), MET_NORWAY, "geometry")
    numbers = [
        as_number(value, MET_NORWAY, "a coordinate")
        for value in as_list(geometry.get("coordinates"), MET_NORWAY, "coordinates")
    ]
    if len(numbers) not in (2, 3) or not (-180 <= numbers[0] <= 180 and -90 <= numbers[1] <= 90):
        raise bad_shape(MET_NORWAY, phrase("feeds.no-place"))
    return numbers[0], numbers[1], numbers[2] if len(numbers) == 3 else None


_Following: TypeAlias = tuple[timedelta | None, dict[str, Any], str | None]
"""How long the period after a moment is, None without one; what is told of it; and its symbol."""


def _read_step(element: object, unread: list[BadAnswer]) -> tuple[datetime, dict[str, Any], _Following]:
    """One element of the series: its moment, what is told of it, and of the time after it, which is left out
    and added to `unread` when it can't be read."""
    element = as_dict(element, MET_NORWAY, "timeseries[]")
    data = as_dict(element.get("data"), MET_NORWAY, "data")
    instant = as_dict(data.get("instant"), MET_NORWAY, "instant")
    ahead, following, details = None, dict[str, Any](), dict[str, Any]()
    with leaving_out(unread):  # the shortest period that follows this moment
        for name, length in (("next_1_hours", HOUR), ("next_6_hours", SIX_HOURS)):
            if name in data:
                ahead, following = length, as_dict(data[name], MET_NORWAY, name)
                break
    with leaving_out(unread):
        details = as_dict(following.get("details", {}), MET_NORWAY, "details")
    summary = following.get("summary")
    symbol = summary.get("symbol_code") if isinstance(summary, dict) else None
    at = _time(element.get("time"), "time")
    told = as_dict(instant.get("details"), MET_NORWAY, "instant.details")
    return at, told, (ahead, details, symbol if isinstance(symbol, str) else None)


def _build_hours(
    times: Sequence[datetime],
    instants: Sequence[Mapping[str, Any]],
    followed: Sequence[_Following],
    units: Mapping[str, Any],
    unread: list[BadAnswer],
) -> Hours:
    """Total cloud must be readable; another value that isn't is left out throughout and added to `unread`."""
    lengths = [ahead or HOUR for ahead, *_ in followed]
    if len(times) > 1 and followed[-1][0] is None:
        lengths[-1] = lengths[-2]  # the last step says nothing of what follows
    spans = instant_spans(times, lengths)
    columns: dict[str, Sequence[Any]] = {}

    # 1. What is told of the moment.
    for name, (field, allowed) in _INSTANT.items():
        with nullcontext() if name == CLOUD else leaving_out(unread):
            columns[field] = _column(name, instants, units, allowed)

    # 2. What is told of the period that follows; one that runs into the next step's is left out.
    kept = [
        (Span(at, at + ahead), details, symbol)
        for at, later, (ahead, details, symbol) in zip(times, [*times[1:], None], followed, strict=True)
        if ahead is not None and (later is None or at + ahead <= later)
    ]
    periods = [period for period, *_ in kept]
    for name, (field, allowed) in _FOLLOWING.items():
        with leaving_out(unread):
            told = _column(name, [details for _, details, _ in kept], units, allowed)
            columns[field] = over_periods(spans, periods, told, is_amount=name == _AMOUNT)

    # 3. Whether the symbol of a period that touches the span names it.
    for field, word in (("thunder_named", "thunder"), ("fog_named", "fog")):
        named = [None if symbol is None else word in symbol for *_, symbol in kept]
        columns[field] = over_periods(spans, periods, named)
    return Hours([span.start for span in spans], [span.end for span in spans], columns)


def _column(
    name: str, told: Sequence[Mapping[str, Any]], units: Mapping[str, Any], allowed: Units
) -> Sequence[float | None]:
    """Its values, None where it isn't told; one that is told must come in the unit it has always had."""
    values = [as_number(each[name], MET_NORWAY, name) if name in each else None for each in told]
    is_told = any(name in each for each in told)
    return in_our_unit(values, units.get(name), allowed, MET_NORWAY, name) if is_told else values
