"""NWS gridpoint answers into forecasts: pure.

Format: weather-gov.github.io/api/gridpoints. Each layer is a list of intervals `start/duration`, equal
neighbours merged, and has a time axis of its own.

Time: a value covers [start, end) of its interval. Records are the whole hours, cut further wherever a
layer changes in between, each holding the values that cover it. A chance of precipitation is for the
whole interval and is copied, not divided; an amount is the interval's total and is shared out by time,
so that the records add up to it again.
"""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, TypeAlias

from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.weather.forecast import Forecast, LayerScheme, Place
from alerts.weather.hours import Hours
from alerts.weather.models import NWS, get_model
from alerts.weather.quality_gates import QualityCheck, check_rising
from service.feeds.shared.checked_answers import (
    AS_IS,
    BadAnswer,
    FeedRefused,
    Units,
    as_dict,
    as_list,
    as_number,
    as_optional_number,
    as_text,
    bad_shape,
    in_our_unit,
    load_json,
    raise_if,
)
from service.feeds.shared.model import Gathered, build_source, judge_quality, leaving_out
from service.feeds.shared.time_marks import HOUR, over_periods, parse_instant, parse_interval

LONGEST = timedelta(days=30)
"""Longest series read; the grids look about 7.5 days ahead."""
MOST_INTERVALS = 2000

_PERCENT = {"wmoUnit:percent": AS_IS}
_CELSIUS = {"wmoUnit:degC": AS_IS, "wmoUnit:degF": (1 / 1.8, -32 / 1.8)}
_SPEED = {"wmoUnit:km_h-1": (1 / 3.6, 0.0), "wmoUnit:m_s-1": AS_IS, "wmoUnit:kt": (1852 / 3600, 0.0)}
SKY = "skyCover"
_LAYERS: Mapping[str, tuple[str, Units]] = {
    SKY: ("cloud_total_pct", _PERCENT),
    "visibility": ("visibility_m", {"wmoUnit:m": AS_IS}),
    "temperature": ("temperature_c", _CELSIUS),
    "dewpoint": ("dew_point_c", _CELSIUS),
    "relativeHumidity": ("relative_humidity_pct", _PERCENT),
    "windSpeed": ("wind_ms", _SPEED),
    "windGust": ("gust_ms", _SPEED),
    "probabilityOfPrecipitation": ("precipitation_probability_pct", _PERCENT),
    "probabilityOfThunder": ("thunder_probability_pct", _PERCENT),
    "quantitativePrecipitation": ("precipitation_mm", {"wmoUnit:mm": AS_IS}),
}
"""What each layer becomes, and factor and offset by unit. The first unit is the documented one: the
schema (api.weather.gov/openapi.json, GridpointQuantitativeValueLayer) leaves `uom` optional."""
_TOTAL = "precipitation_mm"
_Layer: TypeAlias = tuple[Sequence[Span], Sequence[Any]]
"""Ascending intervals that don't overlap, and a value for each, None unknown."""


def parse(
    body: bytes,
    *,
    fetched_at: datetime | None,
    place: Place | None = None,
    unchanged_since: datetime | None = None,
) -> Gathered:
    """The one forecast in a gridpoint answer, or the failure that tells which gate closed.

    Raises BadAnswer when the body can't be read at all, FeedRefused when it is a problem document.
    """
    answer = as_dict(load_json(body, NWS), NWS, "the answer")
    raise_if_problem(answer)
    properties = as_dict(answer.get("properties"), NWS, "properties")
    row = get_model(NWS, "gridpoint")
    lat_deg, lon_deg = _centre(answer)
    unread: list[BadAnswer] = []
    issued_at, elevation_m = None, None
    if properties.get("updateTime") is not None:
        text = as_text(properties["updateTime"], NWS, "updateTime")
        try:
            issued_at = parse_instant(text)
        except ValueError as error:
            raise _bad_time(error) from error
    elevation = properties.get("elevation")
    if isinstance(elevation, dict) and elevation.get("unitCode") in ("wmoUnit:m", "unit:m"):
        with leaving_out(unread):
            elevation_m = as_optional_number(elevation.get("value"), NWS, "elevation")
    forecast = Forecast(
        build_source(row, issued_at=issued_at, fetched_at=fetched_at, unchanged_since=unchanged_since),
        lat_deg,
        lon_deg,
        elevation_m,
        LayerScheme.NONE,
        _build_hours(properties, unread),
        place=place,
    )
    return judge_quality(forecast, row, unread)


def raise_if_problem(answer: Mapping[str, Any]) -> None:
    """FeedRefused with the problem's own words when the object is an RFC 7807 document."""
    if "status" in answer and "title" in answer and "properties" not in answer:
        words = str(answer.get("detail") or answer["title"])[:200]
        problem = str(answer.get("type", "")).rpartition("/")[2]
        status = answer["status"] if isinstance(answer["status"], int) else None
        raise FeedRefused(phrase("feeds.problem", feed=NWS, words=words), status=status, problem=problem)


def _bad_time(error: ValueError) -> BadAnswer:
    return BadAnswer.about(NWS, phrase("feeds.bad-time", what=error.args[0]), QualityCheck.TIMES)


def _centre(answer: Mapping[str, Any]) -> tuple[float, float]:
    """The middle of the cell's corners, latitude first; cells are 2.5 km wide, so a mean will do."""
    geometry = as_dict(answer.get("geometry"), NWS, "geometry")
    rings = as_list(geometry.get("coordinates"), NWS, "coordinates")
    ring = as_list(rings[0] if rings else None, NWS, "coordinates[0]")
    corners = []
    for point in ring:
        numbers = [as_number(value, NWS, "a corner") for value in as_list(point, NWS, "a corner")]
        if len(numbers) < 2 or not (-180 <= numbers[0] <= 180 and -90 <= numbers[1] <= 90):
            raise bad_shape(NWS, phrase("feeds.corner-no-place"))
        corners.append((numbers[0], numbers[1]))
    corners = corners[:-1] if len(corners) > 1 and corners[0] == corners[-1] else corners
    if not corners:
        raise bad_shape(NWS, phrase("feeds.outline-empty"))
    lon_deg = sum(lon for lon, _ in corners) / len(corners)
    lat_deg = sum(lat for _, lat in corners) / len(corners)
    return lat_deg, lon_deg


def _build_hours(properties: Mapping[str, Any], unread: list[BadAnswer]) -> Hours:
    """Sky cover must be readable; any other layer that isn't is left out and added to `unread`."""
    layers = {SKY: _read_layer(properties[SKY], SKY)} if SKY in properties else {}
    frame = layers[SKY][0] if layers else []
    for name in _LAYERS:
        if name in properties and name != SKY:
            with leaving_out(unread):
                layer = _read_layer(properties[name], name)
                _check_beside(frame, layer[0], name)
                layers[name] = layer
    columns = {field: layers[name] for name, (field, _) in _LAYERS.items() if name in layers}

    # Thunder and fog as the forecaster's words name them.
    with leaving_out(unread):
        if properties.get("weather") is not None:
            spans, values = _read_intervals(as_dict(properties["weather"], NWS, "weather"), "weather")
            words = []
            for value in values:
                entries = [] if value is None else as_list(value, NWS, "weather")
                said = [str(as_dict(entry, NWS, "weather").get("weather") or "") for entry in entries]
                words.append(None if value is None else " ".join(said))
            _check_beside(frame, spans, "weather")
            for field, word in (("thunder_named", "thunder"), ("fog_named", "fog")):
                columns[field] = spans, [None if said is None else word in said for said in words]

    records = _cut([span for spans, _ in columns.values() for span in spans])
    if not records:
        raise unread[0] if unread else bad_shape(NWS, phrase("feeds.no-layer"))
    told = {
        field: over_periods(records, *layer, is_amount=field == _TOTAL) for field, layer in columns.items()
    }
    return Hours([record.start for record in records], [record.end for record in records], told)


def _check_beside(frame: Sequence[Span], spans: Sequence[Span], name: str) -> None:
    """A layer that with sky cover reaches over more than any series is of another time."""
    both = (*frame, *spans)
    if both and max(span.end for span in both) - min(span.start for span in both) > LONGEST:
        raise BadAnswer.about(NWS, phrase("feeds.other-time", name=name), QualityCheck.TIMES)


def _read_layer(layer: object, name: str) -> _Layer:
    """One layer in our units; a layer without `uom` is in its documented one."""
    layer = as_dict(layer, NWS, name)
    spans, raw = _read_intervals(layer, name)
    values = [as_optional_number(value, NWS, name) for value in raw]
    _, units = _LAYERS[name]
    unit = next(iter(units)) if layer.get("uom") is None else layer["uom"]
    return spans, in_our_unit(values, unit, units, NWS, name) if spans else []


def _read_intervals(layer: Mapping[str, Any], name: str) -> tuple[list[Span], list[Any]]:
    entries = [as_dict(entry, NWS, name) for entry in as_list(layer.get("values"), NWS, f"{name}.values")]
    if len(entries) > MOST_INTERVALS:
        raise bad_shape(NWS, phrase("feeds.intervals", name=name, count=len(entries), most=MOST_INTERVALS))
    try:
        spans = [parse_interval(as_text(entry.get("validTime"), NWS, "validTime")) for entry in entries]
    except ValueError as error:
        raise _bad_time(error) from error
    raise_if(check_rising([span.start for span in spans]), NWS)
    for span, later in itertools.pairwise(spans):
        if span.end > later.start:
            raise BadAnswer.about(
                NWS, phrase("feeds.two-values", name=name, at=later.start), QualityCheck.TIMES
            )
    return spans, [entry.get("value") for entry in entries]


def _cut(spans: Iterable[Span]) -> list[Span]:
    """Whole hours over all that the spans cover, cut further at every edge; holes stay out."""
    spans = sorted(spans)
    if not spans:
        return []
    first, last = spans[0].start, max(span.end for span in spans)
    if last - first > LONGEST:
        raise BadAnswer.about(NWS, phrase("feeds.too-long", days=(last - first).days), QualityCheck.TIMES)
    hour = first.replace(minute=0, second=0, microsecond=0)
    hours = (hour + index * HOUR for index in range(int((last - hour) / HOUR) + 1))
    edges = {edge for span in spans for edge in (span.start, span.end)}
    marks = sorted(edges | {at for at in hours if first < at < last})
    pieces = [Span(start, end) for start, end in itertools.pairwise(marks)]
    covered = [spans[0]]  # the same time as spans that neither touch nor overlap
    for span in spans[1:]:
        if span.start > covered[-1].end:
            covered.append(span)
        elif span.end > covered[-1].end:
            covered[-1] = Span(covered[-1].start, span.end)
    starts = [span.start for span in covered]
    return [piece for piece in pieces if covered[bisect_right(starts, piece.start) - 1].contains(piece.start)]
