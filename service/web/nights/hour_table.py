"""The weather of one night hour by hour, source by source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from alerts.common.clock_times import zone_info
from alerts.common.phrases import Reader, say
from alerts.common.time_text import say_clock
from alerts.weather.chance import cloud_hours
from alerts.weather.forecast import Source
from alerts.wishes.model import units_of
from service.web.nights.judged_night import ShownNight

MISSING = "–"


@dataclass(frozen=True, slots=True)
class HourRow:
    """One hour of a night, in words. figures: the chance that cloud spoils the frame, total cloud of each
    source, and the median of the sources for the air, the wind and how far the air is above its dew point."""

    at: str
    in_window: bool
    figures: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class HourTable:
    """The hours of a night; sources in the order of their figures."""

    sources: tuple[Source, ...]
    rows: tuple[HourRow, ...]


def hour_table(judged: ShownNight) -> HourTable | None:
    """The table from sunset to sunrise; None when no forecast reaches it."""
    span, window = judged.shown_span, judged.verdict.window
    reaching = [forecast for forecast in judged.forecasts if forecast.reaches(span)]
    if not reaching:
        return None
    units = units_of(judged.wishes)
    reader = Reader(zone_info(judged.site.zone), units)
    rows = []
    for cloud in cloud_hours(span, reaching, now=judged.as_of):
        hours = [forecast.hours.at(cloud.span.middle) for forecast in reaching]
        known = [hour for hour in hours if hour is not None]
        clouds = [cloud.cloud_pct, *(hour.cloud_total_pct if hour else None for hour in hours)]
        air: dict[str, Sequence[float | None]] = {
            "web.temperature": [hour.temperature_c for hour in known],
            "web.speed": [hour.wind_ms for hour in known],
            "web.dew-gap": [
                hour.temperature_c - hour.dew_point_c
                for hour in known
                if hour.temperature_c is not None and hour.dew_point_c is not None
            ],
        }
        figures = [MISSING if pct is None else f"{pct:.0f} %" for pct in clouds]
        for key, values in air.items():
            said = [value for value in values if value is not None]
            figures.append(say(key, reader, figure=median(said)) if said else MISSING)
        at = say_clock(cloud.span.start, reader.zone, reader.hours)
        is_in = window is not None and cloud.span.overlap(window.span) is not None
        rows.append(HourRow(at, is_in, tuple(figures)))
    return HourTable(tuple(forecast.source for forecast in reaching), tuple(rows))
