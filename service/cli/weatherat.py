"""The forecasts that a command judges on: recorded answers, the feeds, or none."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from alerts.errors import BadInput

if TYPE_CHECKING:
    from alerts.night import Night
    from alerts.site import Site
    from alerts.span import Span
    from alerts.weather.record import Forecast
    from service.feeds.base import Gathered


@dataclass(frozen=True, slots=True)
class Weather:
    """Forecasts at hand, and what to say about those that are not."""

    forecasts: list[Forecast]
    problems: tuple[str, ...] = ()


def read_weather(entries: tuple[str, ...], site: Site, *, offline: bool) -> list[Forecast]:
    """The forecasts in recorded answers, `FILE` or `FEED/MODEL=FILE`, for that site; BadInput otherwise."""
    from alerts.weather.record import Place
    from service.feeds.replay import read_recorded

    if entries and offline:
        raise BadInput("--weather plays recorded answers and --offline asks for none; use one of them.")
    place = Place(site.lat_deg, site.lon_deg)
    forecasts: list[Forecast] = []
    for entry in entries:
        named, _, file = entry.rpartition("=") if _is_named(entry) else ("", "", entry)
        forecasts += read_recorded(Path(file), named=named or None, place=place)
    return forecasts


def _is_named(entry: str) -> bool:
    """Whether `entry` is FEED/MODEL=FILE and not a file whose name holds a `=`."""
    return "=" in entry and not Path(entry).exists()


def moment_to_judge(as_of: datetime | None, recorded: list[Forecast]) -> datetime:
    """What was asked for; else the newest issue time of recorded answers; else now."""
    from service.clock import real_clock
    from service.feeds.replay import as_of_default

    return as_of or (as_of_default(recorded) if recorded else None) or real_clock()


def ask_for(site: Site, night: Night, now: datetime, elevation_m: float | None) -> Weather:
    """Ask the feeds, unless the sky already says no or the night is behind us.

    elevation_m: of the site, None when nobody knows it.
    """
    from alerts.span import Span

    ahead = [window.span for window in night.windows if window.span.end > now]
    if not ahead:
        return Weather([])
    gathered, forecasts = ask_both(site, night, Span(now, ahead[-1].end), now, elevation_m)
    problems = tuple(dict.fromkeys(failure.text for failure in (*gathered.failures, *gathered.off)))
    return Weather(forecasts, problems)


def ask_both(
    site: Site,
    night: Night,
    hours: Span,
    now: datetime,
    elevation_m: float | None,
    *,
    ensembles: bool = False,
) -> tuple[Gathered, list[Forecast]]:
    """As `service.live.ask_both`, by this machine's settings and with its store behind it."""
    from service import live
    from service.feeds.wiring import at_hand
    from service.settings import load_settings

    settings = load_settings()
    behind = at_hand(settings)
    return live.ask_both(settings, behind, site, night, hours, now, elevation_m, ensembles=ensembles)
