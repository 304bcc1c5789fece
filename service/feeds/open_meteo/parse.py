"""Open-Meteo's hourly answers into forecasts: pure, for live and recorded answers alike.

Format: open-meteo.com/en/docs. One object a place, in an array when several were asked; parallel
arrays under `hourly`, their units under `hourly_units`; with several models the model's name hangs on
each key, with ensembles `_memberNN` before it.

Time: cloud, visibility, temperature, humidity and wind are values of the moment and stand for half a
step to each side. Gust (the highest), precipitation (the sum) and its chance belong to the hour that
ENDS at their time stamp. A record at 21:00 stands for 20:30..21:30, so it takes the higher gust and
chance of the hours ending at 21:00 and 22:00, and half of each one's precipitation. The last record of
a series has no hour after it: its gust, chance and amount are unknown.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache, partial
from itertools import pairwise
from typing import Any

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.weather.forecast import CloudLevels, Forecast, Place
from alerts.weather.hours import Hours
from alerts.weather.models import AIR_MODEL, OPEN_METEO, UNKNOWN_MODEL, ModelRow, open_meteo_row
from alerts.weather.quality_gates import (
    QualityCheck,
    Rejected,
    check_lengths,
    check_levels,
    check_rising,
    check_units,
)
from service.feeds.shared.checked_json import (
    as_dict,
    as_list,
    as_number,
    as_optional_number,
    bad_shape,
    load_json,
)
from service.feeds.shared.feed_errors import BadAnswer, FeedRefused
from service.feeds.shared.model import Gathered, build_source, failure_of, join, judge_quality, read_or_leave
from service.feeds.shared.time_marks import HOUR, Periods, instant_spans, require_our_age

_PERCENT = {"%": (1.0, 0.0)}
_CELSIUS = {"°C": (1.0, 0.0), "°F": (1 / 1.8, -32 / 1.8)}
_SPEED = {"m/s": (1.0, 0.0), "km/h": (1 / 3.6, 0.0), "mp/h": (0.44704, 0.0), "kn": (1852 / 3600, 0.0)}
_METRES = {"m": (1.0, 0.0), "ft": (0.3048, 0.0)}
_MILLIMETRES = {"mm": (1.0, 0.0), "inch": (25.4, 0.0)}
_MICROGRAMS = {"μg/m³": (1.0, 0.0)}
"""With a Greek mu, as the service writes it."""


@dataclass(frozen=True, slots=True)
class Variable:
    """What a variable becomes: a field of the record, and factor and offset by unit."""

    field: str
    units: Mapping[str, tuple[float, float]]


INSTANT = {
    "cloud_cover": Variable("cloud_total_pct", _PERCENT),
    "cloud_cover_low": Variable("cloud_low_pct", _PERCENT),
    "cloud_cover_mid": Variable("cloud_mid_pct", _PERCENT),
    "cloud_cover_high": Variable("cloud_high_pct", _PERCENT),
    "visibility": Variable("visibility_m", _METRES),
    "temperature_2m": Variable("temperature_c", _CELSIUS),
    "dew_point_2m": Variable("dew_point_c", _CELSIUS),
    "relative_humidity_2m": Variable("relative_humidity_pct", _PERCENT),
    "wind_speed_10m": Variable("wind_ms", _SPEED),
}
HIGHEST = {
    "wind_gusts_10m": Variable("gust_ms", _SPEED),
    "precipitation_probability": Variable("precipitation_probability_pct", _PERCENT),
}
AMOUNT = {"precipitation": Variable("precipitation_mm", _MILLIMETRES)}
AIR = {
    "aerosol_optical_depth": Variable("aerosol_optical_depth", {"": (1.0, 0.0)}),
    "pm2_5": Variable("pm2_5_ug_m3", _MICROGRAMS),
    "dust": Variable("dust_ug_m3", _MICROGRAMS),
}
"""Of its air quality service, values of the moment."""
CODE = {"weather_code": Variable("weather_code", {"wmo code": (1.0, 0.0)})}
WEATHER = {**INSTANT, **HIGHEST, **AMOUNT, **CODE}
"""All that is asked of a single run overhead."""
CLOUD = ("cloud_cover", "cloud_cover_low", "cloud_cover_mid", "cloud_cover_high")
"""All that is asked of a single run along a line of sight."""
ENSEMBLE = ("cloud_cover",)
"""All that is asked of ensembles, whose every member counts against the limits."""
LEVEL_CLOUD, LEVEL_HEIGHT = "cloud_cover", "geopotential_height"
LEVEL_UNITS = {LEVEL_CLOUD: _PERCENT, LEVEL_HEIGHT: _METRES}
"""By level of pressure: `cloud_cover_850hPa`, and how high the level lies above the sea."""
LOW_LEVELS_HPA = (1000, 950, 925, 900, 850, 800, 700)
HIGH_LEVELS_HPA = (900, 850, 800, 700, 600, 500, 400)
"""Below and above a site that stands in the low and one that may stand in the mid cloud. A level that a model
lacks comes back as unknown throughout."""
VARIABLES = {**WEATHER, **AIR}
"""Everything read, by Open-Meteo's name."""


def level_names(levels_hpa: tuple[int, ...]) -> tuple[str, ...]:
    """What is asked about those levels."""
    return tuple(f"{name}_{hpa}hPa" for hpa in levels_hpa for name in LEVEL_UNITS)


MOST_HOURS = 5000
"""Longest series read: 92 past and 16 coming days by the hour are 2,592."""

CLOUD_COVER = "cloud_cover"
_UNDEFINED = "undefined"
"""The unit of a variable that a model doesn't have; all its values are null."""
_LONGEST_FIRST = sorted(VARIABLES, key=len, reverse=True)
_THUNDER_CODES, _FOG_CODES = frozenset({95, 96, 97, 99}), frozenset({45, 48})
"""WMO code table 4677 as Open-Meteo uses it: thunderstorms; fog and rime fog."""
_OTHER_PRODUCT = re.compile(r"_(\d+hPa|spread|previous_day\d+|max|min|mean|sum)(_.*)?")
_LEVEL = re.compile(rf"({LEVEL_CLOUD}|{LEVEL_HEIGHT})_(\d{{1,4}})hPa(?:_(.+))?")
_MEMBER = re.compile(r"_member(\d{1,3})(?=_|$)")


@dataclass(slots=True)
class _Columns:
    """One model's columns, by the key under which the answer holds them."""

    plain: dict[str, str] = field(default_factory=dict)  # variable -> key
    members: dict[int, str] = field(default_factory=dict)  # member of cloud_cover -> key
    levels: dict[tuple[str, int], str] = field(default_factory=dict)  # variable and pressure -> key


def parse(
    body: bytes,
    *,
    fetched_at: datetime | None,
    place: Place | None = None,
    model: str | None = None,
    issued_at: datetime | None = None,
    unchanged_since: datetime | None = None,
    next_due_at: datetime | None = None,
    utc_only: bool = False,
) -> Gathered:
    """One forecast a place and model; what closes a gate is told as a failure beside them.

    model: the model asked for, which the keys don't name when it was alone; None: unknown.
    utc_only: refuse all but UTC seconds, as live answers are asked for that way; recorded ones may
    hold wall time with one fixed offset for the whole series.
    Raises BadAnswer when the body as a whole can't be read, FeedRefused when it is an error answer.
    """
    answer = load_json(body, OPEN_METEO)
    elements = answer if isinstance(answer, list) else [answer]
    if not elements:
        raise bad_shape(OPEN_METEO, phrase("feeds.empty-list"))
    context = _Context(model, place, fetched_at, issued_at, unchanged_since, next_due_at, utc_only)
    return join(_read_element(element, context) for element in elements)


@dataclass(frozen=True, slots=True)
class _Context:
    model: str | None
    place: Place | None
    fetched_at: datetime | None
    issued_at: datetime | None
    unchanged_since: datetime | None
    next_due_at: datetime | None
    utc_only: bool


def raise_if_error(element: Mapping[str, Any]) -> None:
    """FeedRefused with Open-Meteo's own reason when the object is its error form."""
    if element.get("error") is True:
        reason = str(element.get("reason", ""))[:200]
        raise FeedRefused(phrase("feeds.error-answer", feed=OPEN_METEO, reason=reason), problem=reason)


def _read_element(element: object, context: _Context) -> Gathered:
    element = as_dict(element, OPEN_METEO, "answer[]")
    raise_if_error(element)
    hourly = as_dict(element.get("hourly"), OPEN_METEO, "hourly")
    units = as_dict(element.get("hourly_units"), OPEN_METEO, "hourly_units")
    models = _pick_model(_group_by_model(hourly, context.model), context.model)
    frame = _PlaceFrame.of(element, hourly, units, context)
    return join(_read_model(frame, open_meteo_row(model), columns) for model, columns in models.items())


def _pick_model(models: dict[str, _Columns], asked: str | None) -> dict[str, _Columns]:
    """All models, or the one asked for; BadAnswer when there is nothing to read."""
    if not models:
        raise bad_shape(OPEN_METEO, phrase("feeds.no-variable"))
    if asked is None:
        return models
    if asked not in models:
        raise bad_shape(OPEN_METEO, phrase("feeds.model-missing", asked=asked, models=sorted(models)))
    return {asked: models[asked]}


def _group_by_model(hourly: Mapping[str, Any], asked: str | None) -> dict[str, _Columns]:
    """Columns by model; those without a suffix are of the model asked for, or unknown."""
    models: dict[str, _Columns] = defaultdict(_Columns)
    for key in hourly:
        if level := _LEVEL.fullmatch(key):
            model = level[3] or asked or UNKNOWN_MODEL
            models[model].levels[level[1], int(level[2])] = key
            continue
        split = split_key(key)
        if split is None:
            continue
        variable, member, suffix = split
        columns = models[suffix or asked or (AIR_MODEL if variable in AIR else UNKNOWN_MODEL)]
        if member is None:
            columns.plain[variable] = key
        elif variable == CLOUD_COVER:
            columns.members[member] = key
    return dict(models)


@lru_cache(maxsize=4096)
def split_key(key: str) -> tuple[str, int | None, str] | None:
    """Variable, member and model of an hourly key; None when it is nothing that is read here.

    The longest known variable at the START wins and the remainder is the model, as one model's name
    may end in another's (`x_icon_seamless`, `x_meteoswiss_icon_seamless`). Pressure levels, spreads
    and earlier days' forecasts begin alike and are other products.
    """
    variable = next((name for name in _LONGEST_FIRST if key == name or key.startswith(f"{name}_")), None)
    if variable is None:
        return None
    rest = key[len(variable) :]
    member = _MEMBER.match(rest)
    rest = rest[member.end() :] if member else rest
    if _OTHER_PRODUCT.fullmatch(rest):
        return None
    return variable, int(member[1]) if member else None, rest.removeprefix("_")


@dataclass(frozen=True, slots=True)
class _PlaceFrame:
    """What all models of one place share."""

    hourly: Mapping[str, Any]
    units: Mapping[str, Any]
    times: list[datetime]
    step: timedelta
    grid: tuple[float, float, float | None]
    answered_at: datetime | None
    context: _Context

    @classmethod
    def of(
        cls,
        element: Mapping[str, Any],
        hourly: Mapping[str, Any],
        units: Mapping[str, Any],
        context: _Context,
    ) -> _PlaceFrame:
        clock = _Clock.of(element, units, context)
        times = [clock.read(mark) for mark in as_list(hourly.get("time"), OPEN_METEO, "hourly time")]
        if not 0 < len(times) <= MOST_HOURS:
            raise bad_shape(OPEN_METEO, phrase("feeds.times", count=len(times), most=MOST_HOURS))
        _raise_if(check_rising(times))
        step = min((later - earlier for earlier, later in pairwise(times)), default=HOUR)
        return cls(hourly, units, times, step, _read_grid(element), _current_time(element, clock), context)


def _read_grid(element: Mapping[str, Any]) -> tuple[float, float, float | None]:
    lat_deg = as_number(element.get("latitude"), OPEN_METEO, "latitude")
    lon_deg = as_number(element.get("longitude"), OPEN_METEO, "longitude")
    if not (-90 <= lat_deg <= 90 and -180 <= lon_deg <= 180):
        raise bad_shape(OPEN_METEO, phrase("feeds.no-place-there", lat_deg=lat_deg, lon_deg=lon_deg))
    return lat_deg, lon_deg, as_optional_number(element.get("elevation"), OPEN_METEO, "elevation")


def _current_time(element: Mapping[str, Any], clock: _Clock) -> datetime | None:
    """None where it isn't told, or not legibly: it is only asked of recorded answers."""
    current = element.get("current")
    if not isinstance(current, dict) or "time" not in current:
        return None
    return read_or_leave(lambda: clock.read(current["time"]), None, [])


@dataclass(frozen=True, slots=True)
class _Clock:
    """Reads an answer's time marks: UTC seconds, or wall time with one offset for all of it.

    In a zone off the whole hour the marks lie on UTC's half or quarter hours. The server may have read such a
    value at the hour beside it (its source says so): half an hour is less than what a record stands for.
    """

    unix: bool
    offset: timedelta

    @classmethod
    def of(cls, element: Mapping[str, Any], units: Mapping[str, Any], context: _Context) -> _Clock:
        form = units.get("time")
        forms = ("unixtime",) if context.utc_only else ("unixtime", "iso8601")
        _raise_if(check_units({"time": form}, {"time": forms}))
        unix = form == "unixtime"
        offset_s = as_number(element.get("utc_offset_seconds"), OPEN_METEO, "utc_offset_seconds")
        if context.utc_only and offset_s != 0:
            raise _bad_offset(phrase("feeds.off-utc", offset_s=offset_s))
        if abs(offset_s) > 14 * 3600:
            raise _bad_offset(phrase("feeds.no-zone-offset", offset_s=offset_s))
        if offset_s % 900:  # every zone in use lies on a quarter of an hour (IANA time zone database)
            raise _bad_offset(phrase("feeds.no-zone-offset", offset_s=offset_s))
        return cls(unix, timedelta(seconds=offset_s))

    def read(self, mark: object) -> datetime:
        try:
            if self.unix and isinstance(mark, int) and not isinstance(mark, bool):
                return require_our_age(datetime.fromtimestamp(mark, UTC))
            if not self.unix and isinstance(mark, str):
                return self._from_wall_time(mark)
        except (ValueError, OverflowError, OSError) as error:
            raise BadAnswer.about(
                OPEN_METEO, phrase("feeds.no-time", text=str(mark)[:40]), QualityCheck.TIMES
            ) from error
        raise BadAnswer.about(OPEN_METEO, phrase("feeds.no-time", text=str(mark)[:40]), QualityCheck.TIMES)

    def _from_wall_time(self, mark: str) -> datetime:
        wall = require_our_age(datetime.fromisoformat(mark))
        if wall.tzinfo is not None:
            return wall.astimezone(UTC)
        return wall.replace(tzinfo=UTC) - self.offset


def _bad_offset(what: Phrase) -> BadAnswer:
    return BadAnswer.about(OPEN_METEO, what, QualityCheck.OFFSET)


def _raise_if(rejected: Rejected | None) -> None:
    if rejected is not None:
        raise BadAnswer.of(OPEN_METEO, rejected)


def _read_model(frame: _PlaceFrame, row: ModelRow, columns: _Columns) -> Gathered:
    context = frame.context
    unread: list[BadAnswer] = []
    try:
        forecast = Forecast(
            source=build_source(
                row,
                issued_at=context.issued_at,
                fetched_at=context.fetched_at,
                unchanged_since=context.unchanged_since,
                next_due_at=context.next_due_at,
            ),
            grid_lat_deg=frame.grid[0],
            grid_lon_deg=frame.grid[1],
            grid_elevation_m=frame.grid[2],
            layer_scheme=row.layer_scheme,
            hours=_build_hours(frame, columns, unread),
            members=_build_members(frame, columns),
            place=context.place,
            answered_at=frame.answered_at,
            levels=read_or_leave(lambda: _build_levels(frame, columns), None, unread),
        )
    except BadAnswer as error:
        return Gathered(failures=(failure_of(OPEN_METEO, row.model, error, context.place),))
    return judge_quality(forecast, row, unread)


def _build_hours(frame: _PlaceFrame, columns: _Columns, unread: list[BadAnswer]) -> Hours:
    """Total cloud must be readable; any other column that isn't is left out and added to `unread`."""
    spans = instant_spans(frame.times, [frame.step] * len(frame.times))
    ending = [Span(at - frame.step, at) for at in frame.times]
    values: dict[str, list[float | None]] = {}
    for name, key in columns.plain.items():
        read = partial(_read_column, frame, name, key)
        column = read() if name == CLOUD_COVER else read_or_leave(read, None, unread)
        values |= {} if column is None else {name: column}
    if not values and not columns.levels and unread:
        raise unread[0]
    fields: dict[str, Sequence[object]] = {}
    for name, column in values.items():
        if name in CODE:
            fields["thunder_named"] = [_is_one_of(code, _THUNDER_CODES) for code in column]
            fields["fog_named"] = [_is_one_of(code, _FOG_CODES) for code in column]
        elif name in INSTANT or name in AIR:
            fields[VARIABLES[name].field] = column
        else:
            fields[VARIABLES[name].field] = list(_over_periods(name, column, ending, spans))
    return Hours([span.start for span in spans], [span.end for span in spans], fields)


def _is_one_of(code: float | None, codes: frozenset[int]) -> bool | None:
    return None if code is None else code in codes


def _over_periods(
    name: str, column: Sequence[float | None], ending: Sequence[Span], spans: Sequence[Span]
) -> Iterator[float | None]:
    """A preceding-hour column brought onto the records' spans. ending: the hours it is told for."""
    periods = Periods(zip(ending, column, strict=True))
    read = periods.highest if name in HIGHEST else periods.amount
    return (read(span) for span in spans)


def _build_members(frame: _PlaceFrame, columns: _Columns) -> tuple[tuple[float | None, ...], ...]:
    """Total cloud by member, the control run first; empty when the answer has no members."""
    if not columns.members:
        return ()
    control = [columns.plain[CLOUD_COVER]] if CLOUD_COVER in columns.plain else []
    keys = [*control, *(columns.members[number] for number in sorted(columns.members))]
    return tuple(tuple(_read_column(frame, CLOUD_COVER, key)) for key in keys)


def _build_levels(frame: _PlaceFrame, columns: _Columns) -> CloudLevels | None:
    """Cloud by height, from the ground up; a level without both cover and height is left out.

    BadAnswer when a value can't be read or believed: levels are judged together or not at all.
    """
    pressures = sorted({hpa for _, hpa in columns.levels}, reverse=True)
    rows = []
    for hpa in pressures:
        keys = [columns.levels.get((name, hpa)) for name in LEVEL_UNITS]
        cloud, height = (
            _read_values(frame, key, LEVEL_UNITS[name]) if key else []
            for name, key in zip(LEVEL_UNITS, keys, strict=True)
        )
        if any(value is not None for value in cloud) and any(value is not None for value in height):
            rows.append((hpa, tuple(cloud), tuple(height)))
    if not rows:
        return None
    levels = CloudLevels(*(tuple(column) for column in zip(*rows, strict=True)))
    _raise_if(check_levels(levels))
    return levels


def _read_column(frame: _PlaceFrame, name: str, key: str) -> list[float | None]:
    """One column in our units. A variable the model lacks is unknown throughout."""
    return _read_values(frame, key, VARIABLES[name].units)


def _read_values(
    frame: _PlaceFrame, key: str, allowed: Mapping[str, tuple[float, float]]
) -> list[float | None]:
    column = as_list(frame.hourly[key], OPEN_METEO, key)
    _raise_if(check_lengths({key: column}, len(frame.times)))
    values = [as_optional_number(value, OPEN_METEO, key) for value in column]
    unit = frame.units.get(key)
    if unit == _UNDEFINED and not any(value is not None for value in values):
        return values
    _raise_if(check_units({key: unit}, {key: allowed.keys()}))
    factor, offset = allowed[unit]  # type: ignore[index]
    if (factor, offset) == (1.0, 0.0):
        return values
    return [None if value is None else value * factor + offset for value in values]
