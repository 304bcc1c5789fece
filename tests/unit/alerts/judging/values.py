"""Plain values to judge by: invented nights, windows and forecasts, with the defaults that pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
from hypothesis import settings

from alerts.common.phrases import kept
from alerts.common.span import Span
from alerts.judging.verdict import SkyView, Verdict, trip_to, weigh, with_decision_time
from alerts.sites.model import Site
from alerts.sky.night import BodyEvents, BodyState, DarkWindow, Night, Shape, ShapeSpan, SkyWishes, TrackPoint
from alerts.weather.forecast import Forecast, LayerScheme, Source
from alerts.weather.hours import HourlyWeather, Hours
from alerts.weather.outlook import Hazard, HazardLevel, Outlook, SourceChance
from alerts.weather.skill import chance_of, effective_voices, evidence, pooled_evidence, usual_log_odds
from alerts.wishes.model import Wishes

UNHURRIED = settings(deadline=None)
"""For hypothesis tests: a busy machine is no failure."""

EVENING = date(2026, 7, 15)
ZONE = "America/New_York"
SITE = Site("Windpump Flat", 41.96, -71.20, 20.0, ZONE)
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)


def utc(day: int, hour: int, minute: int = 0, month: int = 7) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=UTC)


WINDOW = Span(utc(16, 2, 23), utc(16, 5, 36))
"""Wed 22:23-01:36 EDT."""
NOON = utc(15, 16)
"""Noon of the day of the night, EDT."""


def source(lineage: str = "ecmwf", provider: str = "Open-Meteo", **changes: Any) -> Source:
    given: dict[str, Any] = {"issued_at": NOON - HOUR, "fetched_at": NOON} | changes
    return Source("feed", provider, lineage, f"{lineage} model", "credit", "https://example.org", **given)


def chance_by(*clouds_pct: float, lead_days: float, window_h: float = 4.0, shortest_h: float = 1.0) -> float:
    """What one source says whose members' clearest stretches have these clouds; one cloud is a run."""
    added = float(np.mean(evidence(clouds_pct, lead_days, window_h, shortest_h)))
    pooled = pooled_evidence([added], [effective_voices(len(clouds_pct))])
    return float(chance_of(usual_log_odds(window_h, shortest_h) + pooled))


def fine_hour(starts: datetime, step: timedelta = HOUR, **changes: Any) -> HourlyWeather:
    """A clear, mild and calm hour with everything known."""
    given: dict[str, Any] = {
        "cloud_total_pct": 0.0,
        "cloud_low_pct": 0.0,
        "cloud_mid_pct": 0.0,
        "cloud_high_pct": 0.0,
        "fog_pct": 0.0,
        "visibility_m": 40_000.0,
        "temperature_c": 15.0,
        "dew_point_c": 5.0,
        "relative_humidity_pct": 51.0,
        "wind_ms": 2.0,
        "gust_ms": 4.0,
        "precipitation_probability_pct": 0.0,
        "precipitation_mm": 0.0,
        "thunder_probability_pct": 0.0,
    }
    return HourlyWeather(starts, starts + step, **(given | changes))


def forecast(
    clouds: Sequence[float | None],
    *,
    starts: datetime = WINDOW.start,
    of: Source | None = None,
    members: Sequence[Sequence[float | None]] = (),
    step: timedelta = HOUR,
    scheme: LayerScheme = LayerScheme.NONE,
    **changes: Any,
) -> Forecast:
    """Hours from `starts` on with these total clouds; None is an hour without cloud."""
    hours = Hours.of(
        fine_hour(starts + k * step, step, **({"cloud_total_pct": cloud} | changes))
        for k, cloud in enumerate(clouds)
    )
    rows = tuple(tuple(row) for row in members)
    return Forecast(of or source(), 41.96, -71.2, None, scheme, hours, rows)


def dark_window(span: Span = WINDOW, altitudes: Sequence[float] = (14.0, 16.0, 10.0)) -> DarkWindow:
    moments = (span.start, span.middle, span.end)
    track = tuple(
        TrackPoint(at, altitude, 180.0 + 10 * k)
        for k, (at, altitude) in enumerate(zip(moments, altitudes, strict=True))
    )
    wishes = SkyWishes()
    return DarkWindow(span, wishes.target, track, (ShapeSpan(Shape.LEANING, span),))


_NO_EVENTS = BodyEvents((), (), BodyState.CROSSES, False)


def night(*windows: Span, name: date = EVENING, **changes: Any) -> Night:
    """An invented night with these dark windows; dark and moonless over all of them by default."""
    span = Span(utc(15, 16, 45), utc(16, 16, 45))
    dark = (Span(windows[0].start, windows[-1].end),) if windows else ()
    made = Night(
        name=name,
        span=span,
        sun=_NO_EVENTS,
        civil=_NO_EVENTS,
        nautical=_NO_EVENTS,
        astronomical=_NO_EVENTS,
        moon=_NO_EVENTS,
        moon_lit=0.02,
        dark=dark,
        moonless=(span,),
        windows=tuple(dark_window(window) for window in windows),
        wishes=SkyWishes(),
    )
    return replace(made, **changes)


FINE_HAZARDS = (
    Hazard("wind", HazardLevel.FINE, kept("wind up to 2 m/s"), 2.0, "m/s"),
    Hazard("gust", HazardLevel.FINE, kept("gusts up to 4 m/s"), 4.0, "m/s"),
    Hazard("precipitation", HazardLevel.FINE, kept("rain or snow 0 %"), 0.0, "%"),
    Hazard("thunder", HazardLevel.FINE, kept("thunderstorms 0 %"), 0.0, "%"),
    Hazard("cold", HazardLevel.FINE, kept("felt cold down to 15 °C"), 15.0, "°C"),
    Hazard("fog", HazardLevel.FINE, kept("fog up to 0 %"), 0.0, "%"),
    Hazard("lens", HazardLevel.FINE, kept("no dew on the lens (10 °C above the dew point)"), 10.0, "°C"),
)


def outlook(chance_pct: int | None = 80, window: Span = WINDOW, **changes: Any) -> Outlook:
    """An outlook of two lineages from two providers that agree, with nothing against it."""
    chance = None if chance_pct is None else chance_pct / 100
    two = (source("ecmwf", "MET Norway"), source("icon", "Open-Meteo"))
    given: dict[str, Any] = {
        "window": window,
        "chance_pct": chance_pct,
        "spread_pct": None if chance_pct is None else (chance_pct, chance_pct),
        "best": Span(window.start, window.start + 30 * MINUTE),
        "per_source": tuple(SourceChance(entry, chance, "" if chance else "gone") for entry in two),
        "hazards": FINE_HAZARDS,
        "cloud_known": chance_pct is not None,
        "wind_known": True,
        "precipitation_known": True,
        "lineages": ("ecmwf", "icon") if chance_pct is not None else (),
        "providers": ("MET Norway", "Open-Meteo") if chance_pct is not None else (),
        "newest_issue": NOON - HOUR,
        "agreement": (2 if chance and chance >= 0.5 else 0, 2 if chance_pct is not None else 0),
    }
    return Outlook(**(given | changes))


def hazards(**changes: tuple[HazardLevel, float | None]) -> tuple[Hazard, ...]:
    """The fine hazards, some of them at another level and value."""
    return tuple(
        replace(hazard, level=changes[hazard.name][0], worst=changes[hazard.name][1])
        if hazard.name in changes
        else hazard
        for hazard in FINE_HAZARDS
    )


def judge(
    made: Night,
    outlooks: Sequence[Outlook | None],
    wishes: Wishes,
    *,
    now: datetime,
    site: Site,
    also: Sequence[SkyView] = (),
) -> Verdict:
    """The verdict on these outlooks, as one person is told it."""
    found = weigh((SkyView(made, outlooks), *also), wishes, now=now, site=site)
    return with_decision_time(found, trip_to(found, wishes, site), wishes, now=now, site=site)
