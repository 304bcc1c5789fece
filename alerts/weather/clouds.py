"""Cloud as it bears on a picture of the night sky: thin, broken, below the site, along the line of sight."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TypeVar

from alerts.values import value
from alerts.weather.record import Forecast, HourlyWeather, LayerScheme
from alerts.weather.series import Cut
from alerts.weather.sightline import Layer, lies_below
from alerts.weather.skill import THIN_CLOUD_WEIGHT, slanted_pct
from alerts.weather.stretches import Parts

T = TypeVar("T")


@value(frozen=True, slots=True)
class Seen:
    """One hour's cloud in %: as the frame has it, and as the ground plan does overhead.

    beside_pct: the frame's cover if the sky all round were as it is overhead.
    """

    frame_pct: float
    beside_pct: float
    plan_pct: float


@value(frozen=True, slots=True)
class SeenHours:
    """Cloud in the hours that are known, and what they share with the span asked about; as in `Seen`."""

    parts: Parts
    frame_pct: Sequence[float]
    beside_pct: Sequence[float]
    plan_pct: Sequence[float]


def effective_cloud_pct(hour: HourlyWeather, scheme: LayerScheme) -> float | None:
    """Cloud on the ground plan: the total, less what thin high cloud forgives.

    The high-only part is what the total leaves over low and mid cloud, these taken side by side. The total
    is never rebuilt from layers: without one the answer is None, and where a layer is missing the whole
    total counts as opaque.
    """
    parts = _opaque_and_thin(hour, scheme)
    return None if parts is None else parts[0] + THIN_CLOUD_WEIGHT * parts[1]


def slanted_cloud_pct(hour: HourlyWeather, scheme: LayerScheme, altitude_deg: float) -> float | None:
    """As `effective_cloud_pct`, in a view at that altitude: broken low and mid cloud covers more of it.

    Thin high cloud shows through what gaps are left. A total without layers counts in full as it stands:
    nobody knows how much of it is broken and how much thin, and the two err opposite ways.
    """
    parts = _opaque_and_thin(hour, scheme)
    if parts is None or not _has_layers(hour, scheme):
        return hour.cloud_total_pct
    opaque, thin = parts
    if opaque >= 100.0:
        return 100.0
    hidden = slanted_pct(opaque, altitude_deg)
    return hidden + THIN_CLOUD_WEIGHT * thin * (100.0 - hidden) / (100.0 - opaque)


def _opaque_and_thin(hour: HourlyWeather, scheme: LayerScheme) -> tuple[float, float] | None:
    """The total in two parts, side by side: opaque cloud, and high cloud with nothing below it."""
    total, high = hour.cloud_total_pct, hour.cloud_high_pct
    low, mid = hour.cloud_low_pct, hour.cloud_mid_pct
    if total is None:
        return None
    if scheme is LayerScheme.NONE or low is None or mid is None or high is None:
        return total, 0.0
    thin = min(high, max(0.0, total - low - mid))
    return total - thin, thin


def _has_layers(hour: HourlyWeather, scheme: LayerScheme) -> bool:
    layers = (hour.cloud_low_pct, hour.cloud_mid_pct, hour.cloud_high_pct)
    return scheme is not LayerScheme.NONE and None not in layers


def joint_cover_pct(hour: HourlyWeather, altitude_deg: float) -> float | None:
    """What three layers hide of a view together when each lies over another place; None unless all known.

    Over kilometres the layers' holes don't line up, so their clear shares multiply. Used for differences
    alone: a model's total over one place is never made of it.
    """
    low, mid, high = hour.cloud_low_pct, hour.cloud_mid_pct, hour.cloud_high_pct
    if low is None or mid is None or high is None:
        return None
    opaque = slanted_pct(100.0 - (100.0 - low) * (100.0 - mid) / 100.0, altitude_deg)
    return 100.0 - (100.0 - opaque) * (100.0 - THIN_CLOUD_WEIGHT * high) / 100.0


def seen_cloud(
    forecast: Forecast,
    hour: HourlyWeather,
    altitude_deg: float,
    along: Mapping[datetime, HourlyWeather] | None = None,
) -> Seen | None:
    """An hour's cloud as the frame has it; None when the hour's total is unknown.

    along: the line of sight's hours by their start, None where it wasn't asked for. With it: the view
    overhead, moved by as much as the layers' joint cover differs over there; for totals without layers the
    mean over there itself. An hour that the line of sight doesn't know is unknown.
    """
    hour = above_site(forecast, hour)
    plan = effective_cloud_pct(hour, forecast.layer_scheme)
    beside = slanted_cloud_pct(hour, forecast.layer_scheme, altitude_deg)
    if plan is None or beside is None:
        return None
    if along is None:
        return Seen(beside, beside, plan)
    there = along.get(hour.starts)
    frame = None if there is None else _along(forecast, hour, there, altitude_deg, beside)
    return None if frame is None else Seen(frame, beside, plan)


def seen_clouds(
    forecast: Forecast,
    cut: Cut,
    altitude_deg: float,
    along: Mapping[datetime, HourlyWeather] | None = None,
) -> SeenHours:
    """`seen_cloud` of some of the forecast's hours."""
    if forecast.layer_scheme is LayerScheme.NONE and along is None:
        totals: Sequence[float | None] = cut.column("cloud_total_pct")
        parts, known = known_of(cut, totals)
        return SeenHours(parts, known, known, known)  # in every view: nobody knows the layers
    parts, seen = known_of(cut, [seen_cloud(forecast, hour, altitude_deg, along) for hour in cut.hours])
    return SeenHours(
        parts,
        [hour.frame_pct for hour in seen],
        [hour.beside_pct for hour in seen],
        [hour.plan_pct for hour in seen],
    )


def known_of(cut: Cut, values: Sequence[T | None]) -> tuple[Parts, list[T]]:
    """The hours that have a value, and these values."""
    known = [value for value in values if value is not None]
    if len(known) == len(values):
        return cut.parts, known
    return cut.parts.only([value is not None for value in values]), known


def _along(
    forecast: Forecast, here: HourlyWeather, there: HourlyWeather, altitude_deg: float, beside_pct: float
) -> float | None:
    if forecast.layer_scheme is LayerScheme.NONE:
        return there.cloud_total_pct
    cover_there, cover_here = (joint_cover_pct(each, altitude_deg) for each in (there, here))
    if cover_there is None or cover_here is None:
        return None
    return min(100.0, max(0.0, beside_pct + cover_there - cover_here))


def above_site(forecast: Forecast, hour: HourlyWeather) -> HourlyWeather:
    """The hour without a low layer whose top lies below the site: to its camera that is no cloud.

    The layers above then cover at most their sum, and no more than the total.
    """
    if not low_lies_below(forecast) or hour.cloud_low_pct is None:
        return hour
    mid, high, total = hour.cloud_mid_pct, hour.cloud_high_pct, hour.cloud_total_pct
    if mid is None or high is None or total is None:
        return hour
    return replace(hour, cloud_low_pct=0.0, cloud_total_pct=min(total, mid + high))


def low_lies_below(forecast: Forecast) -> bool:
    """Whether the site stands above the top of the low layer, as far as both heights are known."""
    eye_m = forecast.place.elevation_m if forecast.place else None
    return lies_below(forecast.layer_scheme, Layer.LOW, eye_m, forecast.grid_elevation_m)
