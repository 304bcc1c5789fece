"""The chance of cloud hour by hour, for the picture of a night."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import fmean

import numpy as np

from alerts.common.span import Span
from alerts.weather.clouds import cover_as_told
from alerts.weather.forecast import Forecast
from alerts.weather.skill import chance_of, effective_voices, evidence, pooled_evidence, usual_log_odds

HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class CloudHour:
    """One hour and the chance (0..100) that cloud spoils the frame in it; None: no forecast says."""

    span: Span
    cloud_pct: int | None


def cloud_hours(span: Span, forecasts: Sequence[Forecast], *, now: datetime) -> tuple[CloudHour, ...]:
    """The hours that touch `span`, whole hours of UTC, each with its chance of cloud.

    By the hour of each source that holds the middle, pooled as an outlook is: those of one lineage are
    averaged, then the lineages. now: when the runs without an issue time count as issued.
    """
    first = span.start.replace(minute=0, second=0, microsecond=0)
    count = -(-(span.end - first) // HOUR)
    return tuple(
        CloudHour(hour, _cloud_pct(hour, forecasts, now))
        for hour in (Span(first + k * HOUR, first + (k + 1) * HOUR) for k in range(count))
    )


def _cloud_pct(hour: Span, forecasts: Sequence[Forecast], now: datetime) -> int | None:
    middle = hour.middle
    families: defaultdict[str, list[tuple[float, float]]] = defaultdict(list)  # evidence and voices
    for forecast in forecasts:
        index = forecast.hours.index_at(middle)
        if index is None:
            continue
        members = [row[index] for row in forecast.members if row[index] is not None]
        cover = cover_as_told(forecast.hours, forecast.layer_scheme, slice(index, index + 1))
        clouds = np.array(members, dtype=np.float64) if members else cover.plan_pct
        if np.isnan(clouds).any():
            continue
        lead_days = max((middle - (forecast.source.issued_at or now)) / timedelta(days=1), 0.0)
        added = float(evidence(clouds, lead_days, 1.0, 1.0).mean())
        families[forecast.source.lineage].append((added, float(effective_voices(len(clouds)))))
    if not families:
        return None

    means = [fmean(added for added, _ in family) for family in families.values()]
    voices = [max(voices for _, voices in family) for family in families.values()]
    return round(100 * (1 - float(chance_of(usual_log_odds(1.0, 1.0) + pooled_evidence(means, voices)))))
