"""`duskbell tonight`: one night at one place, judged now."""

from __future__ import annotations

import json
from datetime import date, datetime

import click

from alerts.naming import clean_name
from alerts.site import Site
from service.cli.options import DAY, LAT_LON, MOMENT


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
    from alerts.darkness import with_darkness
    from alerts.night import night_named, tonight_name
    from alerts.sky.ephemeris import Ephemeris
    from alerts.skyview import window_skies
    from alerts.wishes import Wishes
    from service.cli.weatherat import Weather, ask_for, moment_to_judge, read_weather

    site = _site(at, name, zone, elevation_m)
    recorded = read_weather(weather, site, offline=offline)
    now = moment_to_judge(as_of, recorded)
    ephemeris, wishes = Ephemeris.open(), Wishes()
    night = night_named(site, day or tonight_name(site, now, ephemeris), wishes.sky, ephemeris)
    found = Weather(recorded) if weather or offline else ask_for(site, night, now, elevation_m)
    verdict = assess(site, night, found.forecasts, wishes, now=now)
    skies = window_skies(site, night, ephemeris, verdict)
    verdict = with_darkness(verdict, site, night, skies)
    if as_json:
        from alerts.briefing.eventwords import event_of
        from service.report import night_report

        event = event_of(verdict.outlook, wishes.shortest_window, now)
        known = elevation_m is not None
        report = night_report(site, night, verdict, skies, event=event, elevation_known=known)
        click.echo(json.dumps(report, ensure_ascii=False))
        return
    from service.cli.page import tonight_page

    problems = found.problems or (("Offline: no feed was asked.",) if offline else ())
    shortest = wishes.shortest_window
    click.echo(tonight_page(site, night, verdict, skies, now=now, shortest=shortest, problems=problems))


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
