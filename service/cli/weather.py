"""`duskbell weather`: a night's weather hour by hour, source by source, and what it hangs on."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import click

from alerts.common.phrases import say
from alerts.judging.assess import assess
from alerts.judging.window_brightness import window_sky
from alerts.weather.forecast import Forecast
from alerts.weather.outlook import Outlook
from alerts.weather.sensitivity import Pivot, find_pivot
from service.app import build
from service.cli.one_night import NightAsked, OneNight, look_at_night
from service.cli.options import (
    PlaceAsked,
    as_of_option,
    day_option,
    hands_over,
    json_page_option,
    place_options,
    weather_option,
)
from service.common.kept_sky import open_ephemeris
from service.reports.weather_page import NightWeather, Refused, build_rows, weather_json, weather_page
from service.store.json_values import said_in
from service.store.repositories.forecasts import EVERYWHERE, place_key, rejected_since

REFUSED_WITHIN = timedelta(hours=12)


@click.command(help=say("cli.about-weather"))
@place_options
@day_option
@as_of_option
@weather_option
@click.option("--ask", is_flag=True, help=say("cli.help-weather-ask"))
@json_page_option
@hands_over(place=PlaceAsked, night=NightAsked)
def weather(place: PlaceAsked, night: NightAsked, as_json: bool) -> None:
    ephemeris = open_ephemeris()
    found = look_at_night(place, replace(night, without_window=True), ephemeris)
    verdict, outlook = found.verdict, found.verdict.outlook
    window = verdict.window or next(iter(found.night.windows), None)
    aod = outlook.aerosol_optical_depth if outlook else None
    sources, rows = build_rows(found.site, found.night, window, outlook, found.inputs.forecasts)
    told_once = {(each.feed, each.model, each.text): each.what for each in found.refused}
    refused = [Refused(feed, model, what) for (feed, model, _), what in told_once.items()]
    if place.site is not None and not refused:
        # what came to the store lately and couldn't be used
        since = found.as_of - REFUSED_WITHIN
        with build().sessions() as session:
            rejected = rejected_since(session, {place_key(found.site), EVERYWHERE}, since, found.as_of)
            refused = [
                Refused(row.feed, row.model, what, row.fetched_at)
                for row in rejected
                if (what := said_in(row, "rejected")) is not None
            ]
    seen = NightWeather(
        found.site,
        found.night,
        found.as_of,
        window,
        outlook,
        sources,
        rows,
        tuple(refused),
        _hinge(found),
        found.wishes.chance_go_pct,
        found.wishes.shortest_window,
        tuple(dict.fromkeys((*(each.text for each in found.off), *found.notes))),
        window_sky(found.site, window, ephemeris, aod) if window else None,
    )
    click.echo(json.dumps(weather_json(seen), ensure_ascii=False) if as_json else weather_page(seen))


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

    go_pct, failing = wishes.chance_go_pct, verdict.failing_hazards
    return find_pivot(verdict.outlook, found.inputs.forecasts, look, go_pct=go_pct, failing=failing)
