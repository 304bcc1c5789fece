"""MET Norway's Locationforecast answers (complete or compact) into forecasts: pure.

Format: api.met.no/doc/locationforecast/datamodel. A GeoJSON Feature whose `properties.timeseries`
holds values of the moment and of the 1 and 6 hours that FOLLOW; a missing value is a missing key.

Time: steps are hourly for two to three days, then six-hourly. A record stands for half a step to each
side of its moment, so a late one spans six hours; nothing is interpolated between. Precipitation and
its chances belong to the hour, or the six, that START at their time stamp; a record takes the highest
chance of the periods it touches and each one's share by time of the amount.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.weather.forecast import Forecast, Place
from alerts.weather.hours import Hours
from alerts.weather.models import MET_NORWAY, get_model
from alerts.weather.quality_gates import QualityCheck, check_rising, check_units
from service.feeds.shared.checked_json import as_dict, as_list, as_number, as_text, bad_shape, load_json
from service.feeds.shared.feed_errors import BadAnswer, raise_if
from service.feeds.shared.model import Gathered, build_source, judge_quality, leaving_out
from service.feeds.shared.time_marks import HOUR, Periods, instant_spans, parse_instant

MOST_STEPS = 1000
SIX_HOURS = 6 * HOUR

CLOUD = "cloud_area_fraction"
_INSTANT = {
    CLOUD: ("cloud_total_pct", "%"),
    "cloud_area_fraction_low": ("cloud_low_pct", "%"),
    "cloud_area_fraction_medium": ("cloud_mid_pct", "%"),
    "cloud_area_fraction_high": ("cloud_high_pct", "%"),
    "fog_area_fraction": ("fog_pct", "%"),
    "air_temperature": ("temperature_c", "celsius"),
    "dew_point_temperature": ("dew_point_c", "celsius"),
    "relative_humidity": ("relative_humidity_pct", "%"),
    "wind_speed": ("wind_ms", "m/s"),
    "wind_speed_of_gust": ("gust_ms", "m/s"),
}
_HIGHEST = {
    "probability_of_precipitation": ("precipitation_probability_pct", "%"),
    "probability_of_thunder": ("thunder_probability_pct", "%"),
}
_AMOUNT = {"precipitation_amount": ("precipitation_mm", "mm")}
_UNITS = {name: (unit,) for name, (_, unit) in (_INSTANT | _HIGHEST | _AMOUNT).items()}
_NORDIC_ONLY = ("wind_speed_of_gust", "air_temperature_percentile_10", "wind_speed_percentile_10")
"""Values that only the Nordic area has; everywhere else the model is ECMWF's."""


@dataclass(frozen=True, slots=True)
class _Step:
    """One element of the timeseries. ahead: the period its precipitation is for, None without one."""

    at: datetime
    instant: Mapping[str, Any]
    ahead: timedelta | None
    following: Mapping[str, Any]
    symbol: str | None


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
    steps = [_read_step(element, unread) for element in series]
    raise_if(check_rising([step.at for step in steps]), MET_NORWAY)
    units = as_dict(meta.get("units"), MET_NORWAY, "properties.meta.units")
    lon_deg, lat_deg, elevation_m = _read_point(answer)
    is_nordic = any(name in step.instant for step in steps for name in _NORDIC_ONLY)
    row = get_model(MET_NORWAY, "nordic" if is_nordic else "global")
    forecast = Forecast(
        source=build_source(
            row,
            issued_at=_time(meta.get("updated_at"), "updated_at"),
            fetched_at=fetched_at,
            unchanged_since=unchanged_since,
        ),
        grid_lat_deg=lat_deg,
        grid_lon_deg=lon_deg,
        grid_elevation_m=elevation_m,
        layer_scheme=row.layer_scheme,
        hours=_build_hours(steps, units, unread),
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


def _read_step(element: object, unread: list[BadAnswer]) -> _Step:
    """One step; what is said of the time after it is left out and added to `unread` when it can't be read."""
    element = as_dict(element, MET_NORWAY, "timeseries[]")
    data = as_dict(element.get("data"), MET_NORWAY, "data")
    instant = as_dict(data.get("instant"), MET_NORWAY, "instant")
    ahead: timedelta | None = None
    following: Mapping[str, Any] = {}
    details: Mapping[str, Any] = {}
    with leaving_out(unread):  # the shortest period that follows this moment
        for name, length in (("next_1_hours", HOUR), ("next_6_hours", SIX_HOURS)):
            if name in data:
                ahead, following = length, as_dict(data[name], MET_NORWAY, name)
                break
    with leaving_out(unread):
        details = as_dict(following.get("details", {}), MET_NORWAY, "details")
    summary = following.get("summary")
    symbol = summary.get("symbol_code") if isinstance(summary, dict) else None
    return _Step(
        at=_time(element.get("time"), "time"),
        instant=as_dict(instant.get("details"), MET_NORWAY, "instant.details"),
        ahead=ahead,
        following=details,
        symbol=symbol if isinstance(symbol, str) else None,
    )


def _build_hours(steps: Sequence[_Step], units: Mapping[str, Any], unread: list[BadAnswer]) -> Hours:
    """Total cloud must be readable; another value that isn't is left out throughout and added to `unread`."""
    lengths = [step.ahead or HOUR for step in steps]
    if len(steps) > 1 and steps[-1].ahead is None:
        lengths[-1] = lengths[-2]  # the last step says nothing of what follows
    spans = instant_spans([step.at for step in steps], lengths)
    columns: dict[str, Sequence[Any]] = {}

    # 1. What is told of the moment.
    told = [step.instant for step in steps]
    for name, (field, _) in _INSTANT.items():
        with nullcontext() if name == CLOUD else leaving_out(unread):
            _check_unit(units, name, told)
            columns[field] = [
                as_number(each[name], MET_NORWAY, name) if name in each else None for each in told
            ]

    # 2. What is told of the period that follows; one that runs into the next step's is left out.
    followed = []
    for step, later in zip(steps, [*steps[1:], None], strict=True):
        if step.ahead is not None and (later is None or step.at + step.ahead <= later.at):
            followed.append((step, Span(step.at, step.at + step.ahead)))
    for name, (field, _) in (_HIGHEST | _AMOUNT).items():
        with leaving_out(unread):
            _check_unit(units, name, [step.following for step, _ in followed])
            periods = Periods(
                (span, as_number(step.following[name], MET_NORWAY, name))
                for step, span in followed
                if name in step.following
            )
            read = periods.highest if name in _HIGHEST else periods.amount
            columns[field] = [read(span) for span in spans]

    # 3. Whether the symbol of a period that touches the span names it.
    for field, word in (("thunder_named", "thunder"), ("fog_named", "fog")):
        said = Periods(
            (span, float(word in step.symbol)) for step, span in followed if step.symbol is not None
        )
        columns[field] = [None if (most := said.highest(span)) is None else most > 0 for span in spans]
    return Hours([span.start for span in spans], [span.end for span in spans], columns)


def _check_unit(units: Mapping[str, Any], name: str, told: Iterable[Mapping[str, Any]]) -> None:
    """A value that is told must come in the unit it has always had."""
    if any(name in each for each in told):
        raise_if(check_units(units, {name: _UNITS[name]}), MET_NORWAY)
