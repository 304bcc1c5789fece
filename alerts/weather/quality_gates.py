"""Quality gates: what an answer must satisfy before anybody judges by it.

A gate that closes returns `Rejected` with its name and what it found; nothing is repaired, clamped or
guessed. A rejected series is unknown, and unknown is not clear.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from itertools import groupby, pairwise
from statistics import median

from alerts.common.phrases import Phrase, phrase
from alerts.sites.great_circle import distance_km
from alerts.weather.forecast import CloudLevels, Forecast, Place
from alerts.weather.hours import LAYERS, TOTAL


class QualityCheck(StrEnum):
    """The gates by name, as stored and counted."""

    BODY = "body"  # not JSON, cut off, a bare nan, an endless number
    SHAPE = "shape"  # JSON of another form than this feed's
    UNITS = "units"
    LENGTHS = "lengths"
    TIMES = "times"
    OFFSET = "offset"
    RANGE = "range"
    PLACE = "place"
    SCALE = "scale"
    LAYERS = "layers"


@dataclass(frozen=True, slots=True)
class Rejected:
    """Why a series can't be used: the gate that closed, and what it found."""

    gate: QualityCheck
    what: Phrase


# Lowest and highest believable values. Records: temperature -89.2 and 56.7 degrees, gust 113 m/s,
# rain 305 mm in 42 minutes (WMO World Weather and Climate Extremes Archive); the rest by definition.
_PERCENT = (0.0, 100.0)
ESSENTIAL = TOTAL
"""What an answer is judged by; all other columns may be unknown."""
RANGES: Mapping[str, tuple[float, float]] = {
    ESSENTIAL: _PERCENT,
    "cloud_low_pct": _PERCENT,
    "cloud_mid_pct": _PERCENT,
    "cloud_high_pct": _PERCENT,
    "fog_pct": _PERCENT,
    "visibility_m": (0.0, 300_000.0),
    "temperature_c": (-95.0, 60.0),
    "dew_point_c": (-120.0, 45.0),
    "relative_humidity_pct": (0.0, 105.0),  # a little above 100 in supersaturated fog
    "wind_ms": (0.0, 110.0),
    "gust_ms": (0.0, 120.0),
    "precipitation_probability_pct": _PERCENT,
    "precipitation_mm": (0.0, 1000.0),
    "thunder_probability_pct": _PERCENT,
    "aerosol_optical_depth": (0.0, 20.0),
    "pm2_5_ug_m3": (0.0, 10_000.0),
    "dust_ug_m3": (0.0, 100_000.0),
    "cloud_below_pct": _PERCENT,
}


def check_units(found: Mapping[str, object], expected: Mapping[str, Collection[str]]) -> Rejected | None:
    """Every name in `expected` must carry one of its units in `found`."""
    for name, allowed in expected.items():
        unit = found.get(name)
        if not isinstance(unit, str) or unit not in allowed:
            what = phrase("weather.gate-unit", name=name, unit=unit, wanted=tuple(sorted(allowed)))
            return Rejected(QualityCheck.UNITS, what)
    return None


def check_lengths(columns: Mapping[str, Sequence[object]], length: int) -> Rejected | None:
    """Every column must have one value a time."""
    for name, column in columns.items():
        if len(column) != length:
            what = phrase("weather.gate-length", name=name, values=len(column), times=length)
            return Rejected(QualityCheck.LENGTHS, what)
    return None


def check_rising(times: Sequence[datetime]) -> Rejected | None:
    """Times must rise strictly: none twice, none out of order."""
    for earlier, later in pairwise(times):
        if not earlier < later:
            return Rejected(QualityCheck.TIMES, phrase("weather.gate-order", later=later, earlier=earlier))
    return None


def check_ranges(forecast: Forecast) -> Rejected | None:
    """Every value must be finite and believable; members count as total cloud."""
    for name in RANGES:
        if (rejected := _unbelievable(name, forecast.hours.column(name), forecast)) is not None:
            return rejected
    for member in forecast.members:
        if (rejected := _unbelievable(ESSENTIAL, member, forecast, is_member=True)) is not None:
            return rejected
    return None


def leave_out_unbelievable(forecast: Forecast) -> tuple[Forecast, tuple[Rejected, ...]]:
    """The forecast without those columns beside total cloud that hold a value nobody believes, and why.

    Such a column is unknown throughout: who gets one value wrong may have got all of them wrong. Total cloud
    and members are left to `check_ranges`.
    """
    found = {
        name: rejected
        for name in RANGES
        if name != ESSENTIAL
        and (rejected := _unbelievable(name, forecast.hours.column(name), forecast)) is not None
    }
    if not found:
        return forecast, ()
    return replace(forecast, hours=forecast.hours.changed(dict.fromkeys(found))), tuple(found.values())


def _unbelievable(
    name: str, column: Sequence[float | None], forecast: Forecast, *, is_member: bool = False
) -> Rejected | None:
    """The first value of a column that lies outside its range."""
    low, high = RANGES[name]
    for at, value in zip(forecast.hours.starts, column, strict=True):
        if value is not None and not low <= value <= high:  # a NaN fails both comparisons
            key = "weather.gate-range-member" if is_member else "weather.gate-range"
            what = phrase(key, name=name, value=value, at=at, low=low, high=high)
            return Rejected(QualityCheck.RANGE, what)
    return None


def check_distance(forecast: Forecast, place: Place, reach_km: float) -> Rejected | None:
    """The cell answered for must lie within `reach_km` of the place asked about."""
    away_km = distance_km(forecast.grid_lat_deg, forecast.grid_lon_deg, place.lat_deg, place.lon_deg)
    if away_km <= reach_km:
        return None
    what = phrase(
        "weather.gate-place",
        lat_deg=forecast.grid_lat_deg,
        lon_deg=forecast.grid_lon_deg,
        away_km=away_km,
        reach_km=reach_km,
    )
    return Rejected(QualityCheck.PLACE, what)


LONG_ENOUGH = 12
"""Known values from which a series that never rises above 1 % is looked at twice."""
DAYS = 72
"""Known values of one run from which never above 1 %, yet not all 0, is no sky on Earth."""


def check_scale(forecast: Forecast) -> Rejected | None:
    """Cloud as a share of 1 but labelled percent looks like a perfect sky; stop it.

    Suspect: never above 1 in a long series, and (a) 1 stays for three values on end, as scaled overcast
    does, (b) anything above 0 in a series of three days, (c) a layer above 10 % says otherwise, or (d) four
    different fractions. A series of nothing but 0 is a clear sky and passes: deserts have weeks of them.
    Seen in public at github.com/open-meteo/open-meteo/issues/1586, 1605 and 2033.
    """
    rows = (forecast.hours.column(ESSENTIAL), *forecast.members)
    known = [[value for value in row if value is not None] for row in rows]
    values = sum(len(row) for row in known)
    if values < LONG_ENOUGH or max(max(row, default=0) for row in known) > 1:
        return None
    stays_at_one = any(_runs_of_three(row, lambda value: value == 1) for row in rows)
    is_never_quite_clear = any(len(row) >= DAYS and max(row) > 0 for row in known)
    fractions = {value for row in known for value in row if value % 1}
    layers = (cover for name in LAYERS for cover in forecast.hours.column(name) if cover is not None)
    if stays_at_one or len(fractions) >= FRACTIONS or is_never_quite_clear or max(layers, default=0.0) > 10:
        return Rejected(QualityCheck.SCALE, phrase("weather.gate-share-of-one", values=values))
    return None


FRACTIONS = 4
"""Different fractions of 1 that percent doesn't have: Open-Meteo keeps whole ones, MET Norway's lie 0.8
apart (as recorded)."""


COARSE = (8.0, 10.0)
"""Overcast in eighths and in tenths."""
OFTEN_OVERCAST = 0.1
"""The share of values in the top quarter of such a scale from which it is one: cloud bunches at clear and at
overcast (a U-shaped beta distribution: Falls 1974, J. Geophys. Res. 79, 1261-1264; from memory), while a
clear spell in percent thins out upward and has next to nothing at its own highest values."""
WISP_PCT = 2.0
"""What half of a clear spell stays below, in percent: such spells are mostly 0."""
LEAST_LAYER_PCT = 30.0
WET_MM, WET_HOURS = 0.3, 3
"""What no sky with a tenth of cloud has, with a margin for a passing shower (all three: our own choice)."""


def check_coarse_scale(forecast: Forecast) -> Rejected | None:
    """Cloud in eighths or tenths of the sky but labelled percent looks like a clear sky; stop it.

    Suspect: a long series of whole numbers that never rises above 8 or 10. It is refused when (a) the
    top quarter of that scale holds three values on end and a tenth of all, (b) half of it or more is cloudier
    than 2, (c) a layer has 30 % or more though the total never has more than 10, or (d) it rains for three
    hours from it. A series of nothing but 0 is a clear sky and passes, and so does one with wisps.
    """
    rows = (forecast.hours.column(ESSENTIAL), *forecast.members)
    values = [value for row in rows for value in row if value is not None]
    highest = max(values, default=0.0)
    if len(values) < LONG_ENOUGH or not 1 < highest <= max(COARSE) or any(value % 1 for value in values):
        return None
    overcast = 0.75 * min(scale for scale in COARSE if highest <= scale)
    is_often = sum(1 for value in values if value >= overcast) >= OFTEN_OVERCAST * len(values)
    stays = is_often and any(_runs_of_three(row, lambda value: value >= overcast) for row in rows)
    layers = zip(*(forecast.hours.column(name) for name in LAYERS), strict=True)
    layered = sum(any((cover or 0.0) >= LEAST_LAYER_PCT for cover in hour) for hour in layers)
    wet = sum((amount_mm or 0.0) >= WET_MM for amount_mm in forecast.hours.column("precipitation_mm"))
    if stays or median(values) > WISP_PCT or layered > 1 or wet >= WET_HOURS:
        parts = "eighths" if highest <= COARSE[0] else "tenths"
        what = phrase("weather.gate-coarse", parts=parts, highest_pct=highest, values=len(values))
        return Rejected(QualityCheck.SCALE, what)
    return None


def _runs_of_three(row: Iterable[float | None], is_so: Callable[[float], bool]) -> bool:
    """Whether that is so for three values on end."""
    runs = groupby(row, key=lambda value: value is not None and is_so(value))
    return any(holds and sum(1 for _ in run) >= 3 for holds, run in runs)


LEVEL_HEIGHTS_M = (-700.0, 20_000.0)
"""1000 hPa lies some 600 m below the sea in the deepest lows on record, 50 hPa above 19 km."""


def check_levels(levels: CloudLevels) -> Rejected | None:
    """Cover and heights must be believable, each level above the one of higher pressure, cover in percent.

    Levels all within 0 and 1, and not all 0, are shares of 1: they would open the sky over every deck.
    """
    low_m, high_m = LEVEL_HEIGHTS_M
    for cover in (value for row in levels.cloud_pct for value in row if value is not None):
        if not 0.0 <= cover <= 100.0:
            return Rejected(QualityCheck.RANGE, phrase("weather.gate-level-cloud", cover_pct=cover))
    for height_m in (value for row in levels.height_m for value in row if value is not None):
        if not low_m <= height_m <= high_m:
            return Rejected(QualityCheck.RANGE, phrase("weather.gate-level-height", height_m=height_m))
    for lower, upper in pairwise(levels.height_m):
        if any(a is not None and b is not None and a >= b for a, b in zip(lower, upper, strict=True)):
            return Rejected(QualityCheck.LAYERS, phrase("weather.gate-level-order"))
    covers = [value for row in levels.cloud_pct for value in row if value is not None]
    if 0.0 < max(covers, default=0.0) <= 1.0:
        return Rejected(QualityCheck.SCALE, phrase("weather.gate-level-share-of-one"))
    return None


LAYER_GAP_PCT = 20.0
"""How far total cloud must exceed all its layers together before that is a contradiction."""


def check_high_layer(forecast: Forecast) -> Rejected | None:
    """High cloud cut off at 10 % while the total says more: thin cloud would pass unseen.

    Total cloud can't exceed the sum of its layers, however they overlap. Closed when that happens by
    more than 20 points in at least three hours, in a series whose high cloud is never above 10 % but
    not always 0. Seen at github.com/open-meteo/open-meteo/issues/2068.
    """
    high = [cover for cover in forecast.hours.column("cloud_high_pct") if cover is not None]
    if not high or not 0 < max(high) <= 10:
        return None
    hours = zip(*(forecast.hours.column(name) for name in (ESSENTIAL, *LAYERS)), strict=True)
    known = (each for each in hours if None not in each)
    gaps = sum(total > sum(layers) + LAYER_GAP_PCT for total, *layers in known)
    if gaps < 3:
        return None
    return Rejected(QualityCheck.LAYERS, phrase("weather.gate-high-cloud", hours=gaps))


def pass_gates(forecast: Forecast, *, reach_km: float) -> Forecast | Rejected:
    """The forecast itself when every gate on its content opens, else the first that closed.

    reach_km: the cell's largest distance from `forecast.place`; not looked at when there is no place.
    """
    place = forecast.place
    return (
        check_ranges(forecast)
        or (check_distance(forecast, place, reach_km) if place is not None else None)
        or check_scale(forecast)
        or check_coarse_scale(forecast)
        or check_high_layer(forecast)
        or forecast
    )
