"""A night's weather hour by hour: one row an hour, one column a source, and what it all comes to. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isnan
from statistics import median

from alerts.common.span import Span
from alerts.judging.window_brightness import WindowSky
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Night
from alerts.weather.clouds import cover_as_told
from alerts.weather.comfort import dew_spread_c
from alerts.weather.forecast import Forecast
from alerts.weather.hours import HourlyWeather
from alerts.weather.line_of_sight import TYPICAL_ALTITUDE_DEG, view_of
from alerts.weather.model_families import AIR_LINEAGE
from alerts.weather.outlook import Outlook
from alerts.weather.sensitivity import Hinge
from alerts.weather.skill import CLEAR_LIMIT_PCT

HOUR = timedelta(hours=1)
Pick = Callable[[list[float]], float]
LONGEST = timedelta(hours=26)


@dataclass(frozen=True, slots=True)
class Refused:
    """An answer that couldn't be used. at: when it came, None when it came just now."""

    feed: str
    model: str
    reason: str
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Cell:
    """One source in one hour, % of cloud; None where it doesn't say.

    plan_pct: what counts of it on the ground plan; frame_pct: in the slanted view of the frame.
    clear_members, members: of an ensemble, how many are clear enough.
    """

    total_pct: float | None = None
    low_pct: float | None = None
    mid_pct: float | None = None
    high_pct: float | None = None
    plan_pct: float | None = None
    frame_pct: float | None = None
    clear_members: int | None = None
    members: int = 0


@dataclass(frozen=True, slots=True)
class Row:
    """One hour. in_window: some of it lies in the dark window; in_best: in its clearest stretch.

    Of the values that aren't cloud: the median of temperature, the worst of the rest over all sources.
    """

    hour: Span
    in_window: bool
    in_best: bool
    cells: tuple[Cell, ...]
    temperature_c: float | None
    wind_ms: float | None
    gust_ms: float | None
    precipitation_pct: float | None
    precipitation_mm: float | None
    dew_spread_c: float | None
    fog_pct: float | None
    aerosol_optical_depth: float | None


@dataclass(frozen=True, slots=True)
class NightWeather:
    """All that the command shows.

    sources: the columns, in order. outlook: None when none could be made. go_pct, shortest: the chance and
    the clear time that are asked for. sky: of the window, under the smoke or haze that the outlook has.
    """

    site: Site
    night: Night
    now: datetime
    window: DarkWindow | None
    outlook: Outlook | None
    sources: tuple[Forecast, ...]
    rows: tuple[Row, ...]
    refused: tuple[Refused, ...]
    hinge: Hinge | None
    go_pct: int
    shortest: timedelta
    problems: tuple[str, ...] = ()
    sky: WindowSky | None = None


def build_rows(
    site: Site,
    night: Night,
    window: DarkWindow | None,
    outlook: Outlook | None,
    forecasts: Sequence[Forecast],
) -> tuple[tuple[Forecast, ...], tuple[Row, ...]]:
    """The columns, and the night's hours from sunset to sunrise by the site's clock."""
    columns = tuple(each for each in forecasts if each.source.lineage != AIR_LINEAGE)
    altitude_deg = view_of(window, site).altitude_deg if window else TYPICAL_ALTITUDE_DEG
    rows = []
    for hour in hours_of(site, _shown(night, outlook)):
        records = [record for each in forecasts if (record := record_at(each, hour)) is not None]
        cells = tuple(_cell(forecast, hour, altitude_deg) for forecast in columns)
        rows.append(_row(hour, cells, records, window, outlook))
    return columns, tuple(rows)


def _shown(night: Night, outlook: Outlook | None) -> Span:
    """From sunset to sunrise; where the Sun does neither, the window's trip, or the night's middle."""
    start = night.sun.sets[0] if night.sun.sets else None
    end = night.sun.rises[-1] if night.sun.rises else None
    if start is not None and end is not None and start < end <= start + LONGEST:
        return Span(start, end)
    if outlook is not None and outlook.trip is not None:
        return outlook.trip
    return Span(night.span.middle - 6 * HOUR, night.span.middle + 6 * HOUR)


def hours_of(site: Site, span: Span) -> tuple[Span, ...]:
    """The whole hours of the site's clock that touch a span; each lasts an hour, clock change or not."""
    local = span.start.astimezone(site.tz)
    past = timedelta(minutes=local.minute, seconds=local.second, microseconds=local.microsecond)
    first = span.start - past
    count = -(-(span.end - first) // HOUR)
    return tuple(Span(first + k * HOUR, first + (k + 1) * HOUR) for k in range(count))


def record_at(forecast: Forecast, hour: Span) -> HourlyWeather | None:
    """The record that holds the hour's beginning, which is when its instant values are for."""
    return forecast.hours.at(hour.start)


def _cell(forecast: Forecast, hour: Span, altitude_deg: float) -> Cell:
    index = forecast.hours.index_at(hour.start)
    if index is None:
        return Cell(members=len(forecast.members))
    record = forecast.hours[index]
    cover = cover_as_told(forecast.hours, forecast.layer_scheme, slice(index, index + 1))
    known = [row[index] for row in forecast.members if row[index] is not None]
    clear = sum(1 for cloud in known if cloud is not None and cloud <= CLEAR_LIMIT_PCT)
    return Cell(
        record.cloud_total_pct,
        record.cloud_low_pct,
        record.cloud_mid_pct,
        record.cloud_high_pct,
        _number(cover.plan_pct[0]),
        _number(cover.view_pct(altitude_deg)[0]),
        clear if known else None,
        len(forecast.members),
    )


def _number(value: float) -> float | None:
    return None if isnan(value) else float(value)


def _row(
    hour: Span,
    cells: tuple[Cell, ...],
    records: Sequence[HourlyWeather],
    window: DarkWindow | None,
    outlook: Outlook | None,
) -> Row:
    best = outlook.best if outlook else None
    return Row(
        hour=hour,
        in_window=window is not None and hour.overlap(window.span) is not None,
        in_best=best is not None and hour.overlap(best) is not None,
        cells=cells,
        temperature_c=_of(records, "temperature_c", median),
        wind_ms=_of(records, "wind_ms", max),
        gust_ms=_of(records, "gust_ms", max),
        precipitation_pct=_of(records, "precipitation_probability_pct", max),
        precipitation_mm=_of(records, "precipitation_mm", max),
        dew_spread_c=_pick([dew_spread_c(record) for record in records], min),
        fog_pct=_of(records, "fog_pct", max),
        aerosol_optical_depth=_of(records, "aerosol_optical_depth", max),
    )


def _of(records: Sequence[HourlyWeather], name: str, pick: Pick) -> float | None:
    return _pick([getattr(record, name) for record in records], pick)


def _pick(values: Sequence[float | None], pick: Pick) -> float | None:
    known = [value for value in values if value is not None]
    return float(pick(known)) if known else None
