"""The chance of cloud hour by hour, for the picture of a night."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import fmean

from alerts.span import Span
from alerts.weather.clouds import effective_cloud_pct
from alerts.weather.record import Forecast, HourlyWeather
from alerts.weather.skill import CLEAR_LIMIT_PCT, chance_of_forecast, chance_of_members

HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class CloudHour:
    """One hour and the chance (0..100) that cloud spoils the frame in it; None: no forecast says."""

    span: Span
    cloud_pct: int | None


def cloud_hours(span: Span, forecasts: Sequence[Forecast], *, now: datetime) -> tuple[CloudHour, ...]:
    """The hours that touch `span`, whole hours of UTC, each with its chance of cloud.

    Every source gives its own chance for the hour, as for the outlook; those of one lineage are
    averaged, then the lineages. now: when the runs without an issue time count as issued.
    """
    first = span.start.replace(minute=0, second=0, microsecond=0)
    count = -(-(span.end - first) // HOUR)
    hours = (Span(first + k * HOUR, first + (k + 1) * HOUR) for k in range(count))
    return tuple(CloudHour(hour, _cloud_pct(hour, forecasts, now)) for hour in hours)


def _cloud_pct(hour: Span, forecasts: Sequence[Forecast], now: datetime) -> int | None:
    clear: defaultdict[str, list[float]] = defaultdict(list)
    for forecast in forecasts:
        for chance in _clear_chances(hour, forecast, now):
            clear[forecast.source.lineage].append(chance)
    if not clear:
        return None
    return round(100 * (1 - fmean(fmean(chances) for chances in clear.values())))


def _clear_chances(hour: Span, forecast: Forecast, now: datetime) -> Iterator[float]:
    """One chance at most: by the record that holds the hour's middle."""
    issued = forecast.source.issued_at or now
    middle = hour.middle
    lead_days = max((middle - issued) / timedelta(days=1), 0.0)
    index = forecast.series.index_at(middle)
    if index is not None:
        chance = _clear_chance(forecast, index, forecast.hours[index], lead_days)
        if chance is not None:
            yield chance


def _clear_chance(forecast: Forecast, index: int, record: HourlyWeather, lead_days: float) -> float | None:
    members = [row[index] for row in forecast.members if row[index] is not None]
    if members:
        clear = sum(1 for cloud in members if cloud is not None and cloud <= CLEAR_LIMIT_PCT)
        return chance_of_members(clear, len(members), lead_days)
    cloud_pct = effective_cloud_pct(record, forecast.layer_scheme)
    return None if cloud_pct is None else chance_of_forecast(cloud_pct, lead_days)
