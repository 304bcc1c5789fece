"""`duskbell weather`: a night's weather hour by hour, source by source, and what it hangs on."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli.options import DAY, MOMENT
from service.cli.skyoptions import climate_at, correction_at, find_place, place_options

if TYPE_CHECKING:
    from alerts.assess import Correct
    from alerts.night import DarkWindow, Night
    from alerts.site import Site
    from alerts.track.climate import Climate
    from alerts.weather.hinges import Hinge
    from alerts.weather.outlook import Outlook
    from alerts.weather.record import Forecast
    from alerts.wishes import Wishes
    from service.feeds.base import Gathered
    from service.weathertable import NightWeather, Refused

REFUSED_WITHIN = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class _Found:
    """Forecasts for a place, what couldn't be used of them, and what to say of the rest."""

    forecasts: list[Forecast]
    refused: tuple[Refused, ...] = ()
    problems: tuple[str, ...] = ()


@click.command()
@click.argument("site", required=False)
@place_options
@click.option("--date", "day", type=DAY, default=None, help="Civil date of the evening; default tonight.")
@click.option("--as-of", "as_of", type=MOMENT, default=None, help="Judge as if it were TIME; default now.")
@click.option("--weather", "recorded", multiple=True, metavar="[FEED/MODEL=]FILE", help="Recorded answer.")
@click.option("--ask", is_flag=True, help="Ask the feeds now, whatever is stored for SITE.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the page.")
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

    For SITE the newest answers in the store are shown, those that its nights are judged by, under the wishes
    of who watches it; where there are none the feeds are asked.
    """
    from alerts.night import night_named, tonight_name
    from alerts.sky.ephemeris import Ephemeris
    from service.cli.weatherat import moment_to_judge, read_weather
    from service.weatherpage import weather_json, weather_page

    place = find_place(site, at, name, zone, elevation_m, horizon)
    played = read_weather(recorded, place, offline=False)
    now = moment_to_judge(as_of, played)
    ephemeris, wishes = Ephemeris.open(), _wishes_at(site)
    night = night_named(place, day or tonight_name(place, now, ephemeris), wishes.sky, ephemeris)
    found = _Found(played)
    if not recorded:
        stored = _stored(place, now) if site is not None and not ask else _Found([])
        found = stored if stored.forecasts else _asked(place, night, now, elevation_m, knows=site is not None)
    seen = _look(place, night, found, wishes, now, correction_at(site, now), climate_at(site, now))
    click.echo(json.dumps(weather_json(seen), ensure_ascii=False) if as_json else weather_page(seen))


def _wishes_at(site: str | None) -> Wishes:
    """What who watches the site asks for; the usual wishes elsewhere."""
    from service.bootstrap import build
    from service.store.people import default_wishes
    from service.usual import usual_for

    if site is None:
        return default_wishes()
    with build().sessions() as session:
        return usual_for(session, site).wishes


def _stored(site: Site, now: datetime) -> _Found:
    """The newest answers in the store, and what came lately and couldn't be used."""
    from service.bootstrap import build
    from service.store.forecasts import EVERYWHERE, newest_by_place, place_key, rejected_since
    from service.weathertable import Refused

    place = place_key(site)
    with build().sessions() as session:
        forecasts = [each.forecast for each in newest_by_place(session, {place}, now).get(place, [])]
        rows = rejected_since(session, {place, EVERYWHERE}, now - REFUSED_WITHIN, now)
        refused = tuple(Refused(row.feed, row.model, row.rejected or "", row.fetched_at) for row in rows)
    return _Found(forecasts, refused)


def _asked(site: Site, night: Night, now: datetime, elevation_m: float | None, *, knows: bool) -> _Found:
    """Ask the feeds about what is left of the night, overhead and along the line of sight."""
    from alerts.span import Span
    from service.cli.weatherat import ask_both

    ends = max((window.span.end for window in night.windows), default=night.span.end)
    if ends <= now:
        return _Found([], problems=("The night is over; its forecasts aren't asked for any more.",))
    height_m = site.elevation_m if knows else elevation_m
    return _as_found(*ask_both(site, night, Span(now, ends), now, height_m, ensembles=True))


def _as_found(gathered: Gathered, forecasts: list[Forecast]) -> _Found:
    from service.weathertable import Refused

    refused = tuple(dict.fromkeys(Refused(each.feed, each.model, each.text) for each in gathered.failures))
    return _Found(forecasts, refused, tuple(dict.fromkeys(each.text for each in gathered.off)))


def _look(
    site: Site, night: Night, found: _Found, wishes: Wishes, now: datetime, correct: Correct, climate: Climate
) -> NightWeather:
    from alerts.sky.ephemeris import Ephemeris
    from alerts.skyview import window_sky
    from service.weathertable import NightWeather, build_rows

    clear_share = climate.clear_share(night.name.month)
    window, outlook, hinge = _best(site, night, found.forecasts, wishes, now, correct, clear_share)
    aod = outlook.aerosol_optical_depth if outlook else None
    sources, rows = build_rows(site, night, window, outlook, found.forecasts)
    return NightWeather(
        site,
        night,
        now,
        window,
        outlook,
        sources,
        rows,
        found.refused,
        hinge,
        wishes.chance_go_pct,
        wishes.shortest_window,
        found.problems,
        window_sky(site, window, Ephemeris.open(), aod) if window else None,
    )


def _best(
    site: Site,
    night: Night,
    forecasts: Sequence[Forecast],
    wishes: Wishes,
    now: datetime,
    correct: Correct,
    clear_share: float,
) -> tuple[DarkWindow | None, Outlook | None, Hinge | None]:
    """The window that the night is judged by, its outlook with these wishes, and what that hangs on."""
    from alerts.assess import assess, view_night
    from alerts.weather.hinges import failing_hazards, hangs_on

    verdict = assess(site, night, forecasts, wishes, now=now, correct=correct, clear_share=clear_share)
    if verdict.window is None or verdict.outlook is None:
        return verdict.window or next(iter(night.windows), None), verdict.outlook, None
    index = night.windows.index(verdict.window)

    def look(changed: Sequence[Forecast]) -> Outlook:
        seen = view_night(site, night, changed, wishes, now=now, correct=correct, clear_share=clear_share)
        outlook = seen.outlooks[index]
        assert outlook is not None, "there was one before the change"
        return outlook

    failing = failing_hazards(
        verdict.outlook,
        wind_limit_ms=wishes.wind_limit_ms,
        gust_limit_ms=wishes.gust_limit_ms,
        coldest_c=wishes.coldest_c,
    )
    hinge = hangs_on(verdict.outlook, forecasts, look, go_pct=wishes.chance_go_pct, failing=failing)
    return verdict.window, verdict.outlook, hinge
