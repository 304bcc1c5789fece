"""`duskbell season`: every night of a year with a dark window at one place, from the sky alone."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date

import click

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.sky.night import DarknessWish, SkyWishes, parse_target, require_loss_wish
from alerts.sky.nights.season import never_holds
from alerts.sky.nights.season import season as build_season
from service.cli.options import DAY, PlaceAsked, hands_over, place_options, progress_bar
from service.common.clock import real_clock
from service.common.kept_sky import open_ephemeris
from service.reports.season_report import season_csv, season_ics, season_json, season_page


@dataclass(frozen=True, slots=True)
class SkyAsked:
    """What is wished of the sky, without weather."""

    target: str
    above_deg: float | None
    near_dark: bool
    any_moon: bool
    moon_loss_mag: float | None

    def read(self) -> SkyWishes:
        """The wishes; without --above the core's limit follows from the latitude, as for subscribers."""
        loss_mag = self.moon_loss_mag
        if self.above_deg is not None and not 0 <= self.above_deg < 90:
            raise BadInput(phrase("cli.above-out-of-range", above_deg=self.above_deg))
        if self.any_moon and loss_mag is not None:
            raise BadInput(phrase("cli.moon-one-option"))
        return SkyWishes(
            target=parse_target(self.target),
            darkness=DarknessWish.NEAR if self.near_dark else DarknessWish.ASTRONOMICAL,
            moonless=not self.any_moon and loss_mag is None,
            lowest_altitude_deg=self.above_deg,
            most_loss_mag=None if loss_mag is None else require_loss_wish(loss_mag),
        )


@dataclass(frozen=True, slots=True)
class YearAsked:
    """A year, or its first and last night; this one without."""

    year: int | None
    first: date | None
    last: date | None

    def read(self) -> tuple[date, date]:
        if (self.first is None) != (self.last is None):
            raise BadInput(phrase("cli.from-to-together"))
        if self.first is not None and self.last is not None:
            if self.year is not None:
                raise BadInput(phrase("cli.year-or-span"))
            return self.first, self.last
        chosen = self.year if self.year is not None else real_clock().year
        if not 1 <= chosen <= 9999:
            raise BadInput(phrase("cli.no-year", chosen=chosen))
        return date(chosen, 1, 1), date(chosen, 12, 31)


@click.command(help=say("cli.about-season"))
@place_options
@click.option("--target", default="core", help=say("cli.help-target"))
@click.option("--above", "above_deg", type=float, help=say("cli.help-above"))
@click.option("--near-dark", is_flag=True, help=say("cli.help-near-dark"))
@click.option("--any-moon", is_flag=True, help=say("cli.help-any-moon"))
@click.option("--moon-loss", "moon_loss_mag", type=float, help=say("cli.help-moon-loss"))
@click.option("--year", type=int, help=say("cli.help-season-year"))
@click.option("--from", "first", type=DAY, help=say("cli.help-season-from"))
@click.option("--to", "last", type=DAY, help=say("cli.help-season-to"))
@click.option(
    "--sort", type=click.Choice(["date", "worth"]), default="date", help=say("cli.help-season-sort")
)
@click.option("--json", "form", flag_value="json", help=say("cli.help-json"))
@click.option("--csv", "form", flag_value="csv", help=say("cli.help-season-csv"))
@click.option("--ics", "form", flag_value="ics", help=say("cli.help-season-ics"))
@hands_over(place=PlaceAsked, sky=SkyAsked, year=YearAsked)
def season(place: PlaceAsked, sky: SkyAsked, year: YearAsked, sort: str, form: str | None) -> None:
    site, wishes, ephemeris = place.find(), sky.read(), open_ephemeris()
    found = build_season(site, *year.read(), wishes, ephemeris, progress=progress_bar())
    nights = found.by_worth() if sort == "worth" else found.nights
    if form == "json":
        click.echo(json.dumps(season_json(found, nights), ensure_ascii=False))
    elif form == "csv":
        click.echo(season_csv(found, nights), nl=False)
    elif form == "ics":
        click.echo(season_ics(found, nights), nl=False)
    else:
        never = () if found.nights else never_holds(site, wishes, found.first.year, ephemeris)
        click.echo(season_page(found, nights, never=never))
