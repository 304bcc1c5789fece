"""The weather of one night hour by hour, source by source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median

from alerts.common.span import Span
from alerts.weather.cloud_by_hour import cloud_hours
from alerts.weather.forecast import Forecast, Source


@dataclass(frozen=True, slots=True)
class HourRow:
    """One hour of a night. cloud_pct: the chance that cloud spoils the frame. by_source: total cloud of
    each source in %, None where it doesn't say. The rest: the median of the sources that say."""

    at: datetime
    in_window: bool
    cloud_pct: int | None
    by_source: tuple[float | None, ...]
    temperature_c: float | None
    wind_ms: float | None
    above_dew_c: float | None


@dataclass(frozen=True, slots=True)
class HourTable:
    """The hours of a night; sources in the order of `by_source`."""

    sources: tuple[Source, ...]
    rows: tuple[HourRow, ...]


def hour_table(
    span: Span, window: Span | None, forecasts: Sequence[Forecast], *, now: datetime
) -> HourTable | None:
    """The table over `span`; None when no forecast reaches it."""
    reaching = [forecast for forecast in forecasts if forecast.reaches(span)]
    if not reaching:
        return None
    rows = []
    for cloud in cloud_hours(span, reaching, now=now):
        hours = [forecast.hours.at(cloud.span.middle) for forecast in reaching]
        known = [hour for hour in hours if hour is not None]
        above_dew_c = [
            hour.temperature_c - hour.dew_point_c
            for hour in known
            if hour.temperature_c is not None and hour.dew_point_c is not None
        ]
        rows.append(
            HourRow(
                at=cloud.span.start,
                in_window=window is not None and cloud.span.overlap(window) is not None,
                cloud_pct=cloud.cloud_pct,
                by_source=tuple(hour.cloud_total_pct if hour else None for hour in hours),
                temperature_c=_middle([hour.temperature_c for hour in known]),
                wind_ms=_middle([hour.wind_ms for hour in known]),
                above_dew_c=_middle(above_dew_c),
            )
        )
    return HourTable(tuple(forecast.source for forecast in reaching), tuple(rows))


def _middle(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None
