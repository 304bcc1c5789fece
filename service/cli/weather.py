"""`duskbell weather`: a night's weather hour by hour, source by source, and what it hangs on."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import click

from alerts.common.phrases import say
from alerts.judging.assess import assess
from alerts.judging.window_brightness import window_sky
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.weather.forecast import Forecast
from alerts.weather.outlook import Outlook
from alerts.weather.sensitivity import Pivot, failing_hazards, find_pivot
from service.app import build
from service.cli.one_night import NightAsked, OneNight, look_at_night, moment_to_judge, read_weather
from service.cli.options import DAY, MOMENT, find_place, place_options
from service.reports.weather_page import NightWeather, Refused, build_rows, weather_json, weather_page
from service.store.repositories.forecasts import EVERYWHERE, place_key, rejected_since

REFUSED_WITHIN = timedelta(hours=12)


@click.command()
@click.argument("site", required=False)
@place_options
@click.option("--date", "day", type=DAY, default=None, help=say("cli.help-date-tonight"))
@click.option("--as-of", "as_of", type=MOMENT, default=None, help=say("cli.help-as-of"))
@click.option("--weather", "recorded", multiple=True, metavar="[FEED/MODEL=]FILE", help="Recorded answer.")
@click.option("--ask", is_flag=True, help=say("cli.help-weather-ask"))
@click.option("--json", "as_json", is_flag=True, help=say("cli.help-json-page"))
def weather(
    site: str | None,
    at: tuple[float, float] | None,
    name: str,
    zone: str | None,
    elevation_m: float | None,
    horizon: Path | None,
    day: date | None,
    as_of: datetime | None,
    recorded: tuple[str, ...],
    ask: bool,
    as_json: bool,
) -> None:
    """A night's weather hour by hour at SITE, or at a place given with --at.

    For SITE as it was decided for who watches it, with the answers behind that; where nothing was decided, on
    the newest answers in the store; where there are none the feeds are asked.
    """
    place = find_place(site, at, name, zone, elevation_m, horizon)
    played = read_weather(recorded, place, offline=False)
    now, ephemeris = moment_to_judge(as_of, played), Ephemeris.open()
    asked = NightAsked(
        site_name=site,
        place=place,
        elevation_m=place.elevation_m if site is not None else elevation_m,
        day=day,
        recorded=played if recorded else None,
        ask=ask,
        as_of=as_of,
        without_window=True,
    )
    seen = _look(look_at_night(asked, ephemeris, now), ephemeris, is_kept=site is not None)
    click.echo(json.dumps(weather_json(seen), ensure_ascii=False) if as_json else weather_page(seen))


def _look(found: OneNight, ephemeris: Ephemeris, *, is_kept: bool) -> NightWeather:
    night, verdict, forecasts = found.night, found.verdict, found.inputs.forecasts
    window = verdict.window or next(iter(night.windows), None)
    outlook = verdict.outlook
    aod = outlook.aerosol_optical_depth if outlook else None
    sources, rows = build_rows(found.site, night, window, outlook, forecasts)
    refused = dict.fromkeys(Refused(each.feed, each.model, each.text) for each in found.refused)
    return NightWeather(
        found.site,
        night,
        found.as_of,
        window,
        outlook,
        sources,
        rows,
        (*refused, *(_refused_lately(found.site, found.as_of) if is_kept and not refused else ())),
        _hinge(found),
        found.wishes.chance_go_pct,
        found.wishes.shortest_window,
        tuple(dict.fromkeys((*(each.text for each in found.off), *found.notes))),
        window_sky(found.site, window, ephemeris, aod) if window else None,
    )


def _refused_lately(site: Site, now: datetime) -> list[Refused]:
    """What came to the store lately and couldn't be used."""
    with build().sessions() as session:
        rows = rejected_since(session, {place_key(site), EVERYWHERE}, now - REFUSED_WITHIN, now)
        return [Refused(row.feed, row.model, row.rejected or "", row.fetched_at) for row in rows]


def _hinge(found: OneNight) -> Pivot | None:
    """What the night hangs on with these wishes, by judging it again on changed forecasts."""
    verdict, wishes = found.verdict, found.wishes
    if verdict.window is None or verdict.outlook is None or not found.inputs.forecasts:
        return None
    night = verdict.night or found.night
    index = night.windows.index(verdict.window)

    def look(changed: Sequence[Forecast]) -> Outlook:
        judged = assess(replace(found.inputs, forecasts=changed), [night], wishes)
        return next(one.outlook for one in judged.outlooks if one.index == index)

    failing = failing_hazards(
        verdict.outlook,
        wind_limit_ms=wishes.wind_limit_ms,
        gust_limit_ms=wishes.gust_limit_ms,
        coldest_c=wishes.coldest_c,
    )
    return find_pivot(
        verdict.outlook, found.inputs.forecasts, look, go_pct=wishes.chance_go_pct, failing=failing
    )
