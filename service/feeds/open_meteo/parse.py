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
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import Any

from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.weather.forecast import CloudLevels, Forecast, Place, Source
from alerts.weather.hours import Hours
from alerts.weather.models import AIR_MODEL, OPEN_METEO, UNKNOWN_MODEL, ModelRow, open_meteo_row
from alerts.weather.quality_gates import QualityCheck, check_lengths, check_levels, check_rising, check_units
from service.feeds.shared.checked_answers import (
    AS_IS,
    BadAnswer,
    FeedRefused,
    Units,
    as_dict,
    as_list,
    as_number,
    as_optional_number,
    bad_shape,
    in_our_unit,
    load_json,
    raise_if,
)
from service.feeds.shared.model import Gathered, build_source, failure_of, join, judge_quality, leaving_out
from service.feeds.shared.time_marks import HOUR, instant_spans, over_periods, require_our_age

_PERCENT = {"%": AS_IS}
_CELSIUS = {"°C": AS_IS, "°F": (1 / 1.8, -32 / 1.8)}
_SPEED = {"m/s": AS_IS, "km/h": (1 / 3.6, 0.0), "mp/h": (0.44704, 0.0), "kn": (1852 / 3600, 0.0)}
_METRES = {"m": AS_IS, "ft": (0.3048, 0.0)}
_MILLIMETRES = {"mm": AS_IS, "inch": (25.4, 0.0)}
_MICROGRAMS = {"μg/m³": AS_IS}
"""With a Greek mu, as the service writes it."""


INSTANT: dict[str, tuple[str, Units]] = {
    "cloud_cover": ("cloud_total_pct", _PERCENT),
    "cloud_cover_low": ("cloud_low_pct", _PERCENT),
    "cloud_cover_mid": ("cloud_mid_pct", _PERCENT),
    "cloud_cover_high": ("cloud_high_pct", _PERCENT),
    "visibility": ("visibility_m", _METRES),
    "temperature_2m": ("temperature_c", _CELSIUS),
    "dew_point_2m": ("dew_point_c", _CELSIUS),
    "relative_humidity_2m": ("relative_humidity_pct", _PERCENT),
    "wind_speed_10m": ("wind_ms", _SPEED),
}
HIGHEST: dict[str, tuple[str, Units]] = {
    "wind_gusts_10m": ("gust_ms", _SPEED),
    "precipitation_probability": ("precipitation_probability_pct", _PERCENT),
}
AMOUNT: dict[str, tuple[str, Units]] = {"precipitation": ("precipitation_mm", _MILLIMETRES)}
AIR: dict[str, tuple[str, Units]] = {
    "aerosol_optical_depth": ("aerosol_optical_depth", {"": AS_IS}),
    "pm2_5": ("pm2_5_ug_m3", _MICROGRAMS),
    "dust": ("dust_ug_m3", _MICROGRAMS),
}
"""Of its air quality service, values of the moment."""
CODE: dict[str, tuple[str, Units]] = {"weather_code": ("weather_code", {"wmo code": AS_IS})}
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
"""Everything read, by Open-Meteo's name: what it becomes, and factor and offset by unit."""


def level_names(levels_hpa: tuple[int, ...]) -> tuple[str, ...]:
    """What is asked about those levels."""
    return tuple(f"{name}_{hpa}hPa" for hpa in levels_hpa for name in LEVEL_UNITS)


MOST_HOURS = 5000
"""Longest series read: 92 past and 16 coming days by the hour are 2,592."""

CLOUD_COVER = "cloud_cover"
_UNDEFINED = "undefined"
"""The unit of a variable that a model doesn't have; all its values are null."""
_LONGEST_FIRST = sorted(VARIABLES, key=len, reverse=True)
_NAMED = {"thunder_named": frozenset({95, 96, 97, 99}), "fog_named": frozenset({45, 48})}
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
    parts = []
    for element in elements:
        element = as_dict(element, OPEN_METEO, "answer[]")
        raise_if_error(element)
        hourly = as_dict(element.get("hourly"), OPEN_METEO, "hourly")
        units = as_dict(element.get("hourly_units"), OPEN_METEO, "hourly_units")
        models = _group_by_model(hourly, model)
        frame = _PlaceFrame.of(element, hourly, units, utc_only=utc_only)
        for name, columns in models.items():
            row, unread = open_meteo_row(name), list[BadAnswer]()
            source = build_source(
                row,
                issued_at=issued_at,
                fetched_at=fetched_at,
                unchanged_since=unchanged_since,
                next_due_at=next_due_at,
            )
            try:
                forecast = _read_model(frame, source, row, columns, unread)
            except BadAnswer as error:
                parts.append(Gathered(failures=(failure_of(OPEN_METEO, row.model, error, place),)))
            else:
                parts.append(judge_quality(replace(forecast, place=place), row, unread))
    return join(parts)


def raise_if_error(element: Mapping[str, Any]) -> None:
    """FeedRefused with Open-Meteo's own reason when the object is its error form."""
    if element.get("error") is True:
        reason = str(element.get("reason", ""))[:200]
        raise FeedRefused(phrase("feeds.error-answer", feed=OPEN_METEO, reason=reason), problem=reason)


def _group_by_model(hourly: Mapping[str, Any], asked: str | None) -> dict[str, _Columns]:
    """Columns by model, of the one asked for alone; those without a suffix are of that one, or unknown.
    BadAnswer when there is nothing to read."""
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
    if not models:
        raise bad_shape(OPEN_METEO, phrase("feeds.no-variable"))
    if asked is None:
        return dict(models)
    if asked not in models:
        raise bad_shape(OPEN_METEO, phrase("feeds.model-missing", asked=asked, models=sorted(models)))
    return {asked: models[asked]}


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

    @classmethod
    def of(
        cls,
        element: Mapping[str, Any],
        hourly: Mapping[str, Any],
        units: Mapping[str, Any],
        *,
        utc_only: bool,
    ) -> _PlaceFrame:
        offset = _zone_offset(element, units, utc_only=utc_only)
        times = [_read_mark(mark, offset) for mark in as_list(hourly.get("time"), OPEN_METEO, "hourly time")]
        if not 0 < len(times) <= MOST_HOURS:
            raise bad_shape(OPEN_METEO, phrase("feeds.times", count=len(times), most=MOST_HOURS))
        raise_if(check_rising(times), OPEN_METEO)
        # a column that doesn't fit the times is left out; where as many agree on another length, something is
        # missing from the times, and a column that fits them would be read hours off
        lengths = Counter(len(column) for column in hourly.values() if isinstance(column, list))
        lengths[len(times)] -= 1
        usual, many = lengths.most_common(1)[0]
        if usual != len(times) and many >= lengths[len(times)] > 0:
            what = phrase("feeds.times-unlike-values", times=len(times), values=usual)
            raise BadAnswer.about(OPEN_METEO, what, QualityCheck.LENGTHS)
        step = min((later - earlier for earlier, later in pairwise(times)), default=HOUR)

        lat_deg = as_number(element.get("latitude"), OPEN_METEO, "latitude")
        lon_deg = as_number(element.get("longitude"), OPEN_METEO, "longitude")
        if not (-90 <= lat_deg <= 90 and -180 <= lon_deg <= 180):
            raise bad_shape(OPEN_METEO, phrase("feeds.no-place-there", lat_deg=lat_deg, lon_deg=lon_deg))
        elevation_m = as_optional_number(element.get("elevation"), OPEN_METEO, "elevation")

        answered_at, current = None, element.get("current")
        if isinstance(current, dict) and "time" in current:
            with leaving_out([]):  # it is only asked of recorded answers
                answered_at = _read_mark(current["time"], offset)
        return cls(hourly, units, times, step, (lat_deg, lon_deg, elevation_m), answered_at)


def _zone_offset(element: Mapping[str, Any], units: Mapping[str, Any], *, utc_only: bool) -> timedelta | None:
    """What to take from an answer's time marks, wall time with one offset for all of it; None where they are
    UTC seconds.

    In a zone off the whole hour the marks lie on UTC's half or quarter hours. The server may have read such a
    value at the hour beside it (its source says so): half an hour is less than what a record stands for.
    """
    form = units.get("time")
    forms = ("unixtime",) if utc_only else ("unixtime", "iso8601")
    raise_if(check_units({"time": form}, {"time": forms}), OPEN_METEO)
    offset_s = as_number(element.get("utc_offset_seconds"), OPEN_METEO, "utc_offset_seconds")
    if utc_only and offset_s != 0:
        raise BadAnswer.about(OPEN_METEO, phrase("feeds.off-utc", offset_s=offset_s), QualityCheck.OFFSET)
    # every zone in use lies on a quarter of an hour (IANA time zone database)
    if abs(offset_s) > 14 * 3600 or offset_s % 900:
        what = phrase("feeds.no-zone-offset", offset_s=offset_s)
        raise BadAnswer.about(OPEN_METEO, what, QualityCheck.OFFSET)
    return None if form == "unixtime" else timedelta(seconds=offset_s)


def _read_mark(mark: object, offset: timedelta | None) -> datetime:
    reason: Exception | None = None
    try:
        if offset is None and isinstance(mark, int) and not isinstance(mark, bool):
            return require_our_age(datetime.fromtimestamp(mark, UTC))
        if offset is not None and isinstance(mark, str):
            wall = require_our_age(datetime.fromisoformat(mark))
            return wall.astimezone(UTC) if wall.tzinfo else wall.replace(tzinfo=UTC) - offset
    except (ValueError, OverflowError, OSError) as error:
        reason = error
    what = phrase("feeds.no-time", text=str(mark)[:40])
    raise BadAnswer.about(OPEN_METEO, what, QualityCheck.TIMES) from reason


def _read_model(
    frame: _PlaceFrame, source: Source, row: ModelRow, columns: _Columns, unread: list[BadAnswer]
) -> Forecast:
    """What the answer has of one model; what can't be read and needn't be is added to `unread`."""
    hours = _build_hours(frame, columns, unread)
    members: list[tuple[float | None, ...]] = []
    if columns.members:  # the control run first
        control = [columns.plain[CLOUD_COVER]] if CLOUD_COVER in columns.plain else []
        keys = [*control, *(columns.members[number] for number in sorted(columns.members))]
        members = [tuple(_read_values(frame, key, _PERCENT)) for key in keys]
    levels = None
    with leaving_out(unread):
        levels = _build_levels(frame, columns)
    return Forecast(
        source,
        *frame.grid,
        row.layer_scheme,
        hours,
        tuple(members),
        answered_at=frame.answered_at,
        levels=levels,
    )


def _build_hours(frame: _PlaceFrame, columns: _Columns, unread: list[BadAnswer]) -> Hours:
    """Total cloud must be readable; any other column that isn't is left out and added to `unread`."""
    values: dict[str, list[float | None]] = {}
    for name, key in columns.plain.items():
        with nullcontext() if name == CLOUD_COVER else leaving_out(unread):
            values[name] = _read_values(frame, key, VARIABLES[name][1])
    if not values and not columns.levels and unread:
        raise unread[0]

    spans = instant_spans(frame.times, [frame.step] * len(frame.times))
    ending = [Span(at - frame.step, at) for at in frame.times]
    fields: dict[str, Sequence[object]] = {}
    for name, column in values.items():
        if name in CODE:
            for field, codes in _NAMED.items():
                fields[field] = [None if code is None else code in codes for code in column]
        elif name in INSTANT or name in AIR:
            fields[VARIABLES[name][0]] = column
        else:  # told for the hours that end at these times
            fields[VARIABLES[name][0]] = over_periods(spans, ending, column, is_amount=name in AMOUNT)
    return Hours([span.start for span in spans], [span.end for span in spans], fields)


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
    raise_if(check_levels(levels), OPEN_METEO)
    return levels


def _read_values(frame: _PlaceFrame, key: str, allowed: Units) -> list[float | None]:
    """One column in our units. A variable the model lacks is unknown throughout."""
    column = as_list(frame.hourly[key], OPEN_METEO, key)
    raise_if(check_lengths({key: column}, len(frame.times)), OPEN_METEO)
    values = [as_optional_number(value, OPEN_METEO, key) for value in column]
    if frame.units.get(key) == _UNDEFINED and not any(value is not None for value in values):
        return values
    return in_our_unit(values, frame.units.get(key), allowed, OPEN_METEO, key)
