"""`duskbell season`: every night of a year with a dark window at one place, from the sky alone."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import click

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarknessWish, SkyWishes, require_loss_wish
from alerts.sky.nights.season import never_holds
from alerts.sky.nights.season import season as build_season
from alerts.sky.target_text import parse_target
from service.cli.options import DAY, find_place, place_options, progress_bar, sky_options
from service.common.clock import real_clock
from service.reports.season_report import season_csv, season_ics, season_json, season_page


@click.command()
@click.argument("site", required=False)
@place_options
@sky_options
@click.option("--year", type=int, default=None, help=say("cli.help-season-year"))
@click.option("--from", "first", type=DAY, default=None, help=say("cli.help-season-from"))
@click.option("--to", "last", type=DAY, default=None, help=say("cli.help-season-to"))
@click.option(
    "--sort", type=click.Choice(["date", "worth"]), default="date", help=say("cli.help-season-sort")
)
@click.option("--json", "form", flag_value="json", help=say("cli.help-json"))
@click.option("--csv", "form", flag_value="csv", help=say("cli.help-season-csv"))
@click.option("--ics", "form", flag_value="ics", help=say("cli.help-season-ics"))
def season(
    site: str | None,
    at: tuple[float, float] | None,
    name: str,
    zone: str | None,
    elevation_m: float | None,
    horizon: Path | None,
    target: str,
    above_deg: float | None,
    near_dark: bool,
    any_moon: bool,
    moon_loss_mag: float | None,
    year: int | None,
    first: date | None,
    last: date | None,
    sort: str,
    form: str | None,
) -> None:
    """Every night with a dark window at SITE, or at a place given with --at."""
    place = find_place(site, at, name, zone, elevation_m, horizon)
    wishes = _sky_wishes(target, above_deg, moon_loss_mag, near_dark=near_dark, any_moon=any_moon)
    span = _span(year, first, last)
    ephemeris = Ephemeris.open()
    found = build_season(place, *span, wishes, ephemeris, progress=progress_bar())
    nights = found.by_worth() if sort == "worth" else found.nights
    if form == "json":
        click.echo(json.dumps(season_json(found, nights), ensure_ascii=False))
    elif form == "csv":
        click.echo(season_csv(found, nights), nl=False)
    elif form == "ics":
        click.echo(season_ics(found, nights), nl=False)
    else:
        never = () if found.nights else never_holds(place, wishes, found.first.year, ephemeris)
        click.echo(season_page(found, nights, never=never))


def _sky_wishes(
    target: str,
    above_deg: float | None,
    moon_loss_mag: float | None,
    *,
    near_dark: bool,
    any_moon: bool,
) -> SkyWishes:
    """The wishes; without --above the core's limit follows from the latitude, as for subscribers."""
    if above_deg is not None and not 0 <= above_deg < 90:
        raise BadInput(phrase("cli.above-out-of-range", above_deg=above_deg))
    if any_moon and moon_loss_mag is not None:
        raise BadInput(phrase("cli.moon-one-option"))
    return SkyWishes(
        target=parse_target(target),
        darkness=DarknessWish.NEAR if near_dark else DarknessWish.ASTRONOMICAL,
        moonless=not any_moon and moon_loss_mag is None,
        lowest_altitude_deg=above_deg,
        most_loss_mag=None if moon_loss_mag is None else require_loss_wish(moon_loss_mag),
    )


def _span(year: int | None, first: date | None, last: date | None) -> tuple[date, date]:
    if (first is None) != (last is None):
        raise BadInput(phrase("cli.from-to-together"))
    if first is not None and last is not None:
        if year is not None:
            raise BadInput(phrase("cli.year-or-span"))
        return first, last

    chosen = year if year is not None else real_clock().year
    if not 1 <= chosen <= 9999:
        raise BadInput(phrase("cli.no-year", chosen=chosen))
    return date(chosen, 1, 1), date(chosen, 12, 31)
