"""`duskbell tonight`: one night at one place, judged now."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from alerts.errors import BadInput
from alerts.naming import clean_name
from alerts.site import Site
from service.cli.options import DAY, LAT_LON, MOMENT

if TYPE_CHECKING:
    from alerts.night import Night
    from alerts.weather.record import Forecast

NETWORK_BUDGET_S = 7.0
"""All feeds together; the command then still ends within ten seconds."""


@dataclass(frozen=True, slots=True)
class _Weather:
    """Forecasts at hand, and what to say about those that are not."""

    forecasts: list[Forecast]
    problems: tuple[str, ...] = ()


@click.command()
@click.option("--at", "at", type=LAT_LON, required=True, help="Decimal degrees, south and west negative.")
@click.option("--date", "day", type=DAY, default=None, help="Civil date of the evening; default tonight.")
@click.option("--as-of", "as_of", type=MOMENT, default=None, help="Judge as if it were TIME; default now.")
@click.option("--weather", "weather", multiple=True, metavar="[FEED/MODEL=]FILE", help="Recorded answer.")
@click.option("--offline", is_flag=True, help="Ask no feed: the sky alone.")
@click.option("--name", default="This place", help="What to call the place.")
@click.option("--zone", default=None, help="IANA time zone; found from the coordinates unless given.")
@click.option("--elevation", "elevation_m", type=float, default=None, help="Metres above sea level.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the page.")
def tonight(
    at: tuple[float, float],
    day: date | None,
    as_of: datetime | None,
    weather: tuple[str, ...],
    offline: bool,
    name: str,
    zone: str | None,
    elevation_m: float | None,
    as_json: bool,
) -> None:
    """Tonight's windows, the weather, the verdict and its reasons."""
    from alerts.assess import assess
    from alerts.night import night_named, tonight_name
    from alerts.sky.ephemeris import Ephemeris
    from alerts.skyview import window_skies
    from alerts.wishes import Wishes
    from service.bootstrap import real_clock

    if weather and offline:
        raise BadInput("--weather plays recorded answers and --offline asks for none; use one of them.")
    site = _site(at, name, zone, elevation_m)
    recorded = _recorded(weather, site)
    now = as_of or (_issue_time(recorded) if weather else None) or real_clock()
    ephemeris, wishes = Ephemeris.open(), Wishes()
    night = night_named(site, day or tonight_name(site, now, ephemeris), wishes.sky, ephemeris)
    found = _Weather(recorded) if weather or offline else _asked(site, night, now, elevation_m)
    verdict = assess(site, night, found.forecasts, wishes, now=now)
    skies = window_skies(site, night, ephemeris)
    if as_json:
        from service.report import night_report

        report = night_report(site, night, verdict, skies, elevation_known=elevation_m is not None)
        click.echo(json.dumps(report, ensure_ascii=False))
        return
    from service.cli.page import tonight_page

    problems = found.problems or (("Offline: no feed was asked.",) if offline else ())
    click.echo(tonight_page(site, night, verdict, skies, now=now, problems=problems))


def _site(at: tuple[float, float], name: str, zone: str | None, elevation_m: float | None) -> Site:
    from service.places import zone_at

    lat_deg, lon_deg = at
    return Site(
        name=clean_name(name),
        lat_deg=lat_deg,
        lon_deg=lon_deg,
        elevation_m=elevation_m or 0.0,
        zone=zone or zone_at(lat_deg, lon_deg),
    )


def _recorded(weather: tuple[str, ...], site: Site) -> list[Forecast]:
    from alerts.weather.record import Place
    from service.feeds.replay import read_recorded

    place = Place(site.lat_deg, site.lon_deg)
    forecasts: list[Forecast] = []
    for entry in weather:
        named, _, file = entry.rpartition("=") if _is_named(entry) else ("", "", entry)
        forecasts += read_recorded(Path(file), named=named or None, place=place)
    return forecasts


def _is_named(entry: str) -> bool:
    """Whether `entry` is FEED/MODEL=FILE and not a file whose name holds a `=`."""
    return "=" in entry and not Path(entry).exists()


def _issue_time(forecasts: list[Forecast]) -> datetime | None:
    from service.feeds.replay import as_of_default

    return as_of_default(forecasts)


def _asked(site: Site, night: Night, now: datetime, elevation_m: float | None) -> _Weather:
    """Ask the feeds, unless the sky already says no or the night is behind us or out of reach."""
    from alerts.span import Span
    from alerts.weather.record import Place
    from service.feeds.wiring import ask_now
    from service.settings import load_settings

    ahead = [window.span for window in night.windows if window.span.end > now]
    if not ahead:
        return _Weather([])
    place = Place(site.lat_deg, site.lon_deg, elevation_m)
    gathered = ask_now(load_settings(), [place], Span(now, ahead[-1].end), budget_s=NETWORK_BUDGET_S)
    problems = tuple(dict.fromkeys(failure.text for failure in (*gathered.failures, *gathered.off)))
    return _Weather(list(gathered.forecasts), problems)
