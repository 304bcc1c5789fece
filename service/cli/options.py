"""What several commands ask for alike: place, sky, day, darkness; a bar while work lasts."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, TypeVar

import click

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.field.place_doubts import PlaceDoubts
from alerts.sites.coordinates import parse_lat_lon
from alerts.sites.horizon import horizon_from_csv
from alerts.sites.model import HorizonLine, Site
from alerts.sites.names import clean_name
from alerts.sky.brightness.readings import BortleConvention, Reading, darkness_of_class, darkness_of_readings
from alerts.sky.ephemeris import Ephemeris
from service.app import Duskbell, build
from service.common.timezones import doubts, zone_at
from service.store.repositories import people
from service.store.repositories.sites import get_site, newest_revision


class LatLonOption(click.ParamType[tuple[float, float]]):
    """Coordinates in any form that `parse_lat_lon` reads."""

    name = "LAT,LON"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        try:
            return parse_lat_lon(str(value))
        except BadInput as error:
            self.fail(str(error), param, ctx)


class DayOption(click.ParamType[date]):
    """A date, `YYYY-MM-DD`: the civil date of the evening."""

    name = "DATE"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> date:
        try:
            return date.fromisoformat(str(value))
        except ValueError:
            self.fail(say("cli.no-date", value=value), param, ctx)


class MomentOption(click.ParamType[datetime]):
    """A time with its offset, such as `2026-07-15T18:00Z`; refused without one."""

    name = "TIME"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        try:
            moment = datetime.fromisoformat(str(value))
        except ValueError:
            self.fail(say("cli.no-time", value=value), param, ctx)
        if moment.tzinfo is None:
            self.fail(say("cli.time-no-zone", value=value), param, ctx)
        return moment.astimezone(UTC)


BAR_AFTER_S = 1.0
BAR_WIDTH = 40

LAT_LON = LatLonOption()
DAY = DayOption()
MOMENT = MomentOption()


F = TypeVar("F", bound=Callable[..., Any])

_PLACE = (
    click.option("--at", "at", type=LAT_LON, default=None, help=say("cli.help-at")),
    click.option("--name", default="This place", help=say("cli.help-name")),
    click.option("--zone", default=None, help=say("cli.help-zone-found")),
    click.option("--elevation", "elevation_m", type=float, default=None, help=say("cli.help-elevation")),
    click.option("--horizon", type=click.Path(path_type=Path), default=None, help="CSV of azimuth,altitude."),
)
_SKY = (
    click.option("--target", default="core", help=say("cli.help-target")),
    click.option("--above", "above_deg", type=float, default=None, help=say("cli.help-above")),
    click.option("--near-dark", is_flag=True, help=say("cli.help-near-dark")),
    click.option("--any-moon", is_flag=True, help=say("cli.help-any-moon")),
    click.option("--moon-loss", "moon_loss_mag", type=float, default=None, help=say("cli.help-moon-loss")),
)


def place_options(command: F) -> F:
    """`--at`, `--name`, `--zone`, `--elevation`, `--horizon`."""
    return _all(_PLACE, command)


def sky_options(command: F) -> F:
    """`--target`, `--above`, `--near-dark`, `--any-moon`, `--moon-loss`."""
    return _all(_SKY, command)


def _all(options: tuple[Callable[[F], F], ...], command: F) -> F:
    for option in reversed(options):
        command = option(command)
    return command


def read_horizon(path: Path | None) -> HorizonLine:
    """The horizon line in that file; level without one. BadInput names the file and the line."""
    if path is None:
        return HorizonLine()
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(phrase("cli.file-unreadable", path=path, error=error)) from None
    try:
        return horizon_from_csv(text)
    except BadInput as error:
        raise BadInput(f"{path}: {error}") from None


def find_place(
    site: str | None,
    at: tuple[float, float] | None,
    name: str,
    zone: str | None,
    elevation_m: float | None,
    horizon: Path | None,
) -> Site:
    """The stored site of that name, or the place given by its coordinates; exactly one is needed."""
    if (site is None) == (at is None):
        raise BadInput(phrase("cli.site-or-place"))
    if at is None:
        assert site is not None, "one of the two is given"
        if zone is not None or elevation_m is not None or horizon is not None:
            raise BadInput(phrase("cli.place-options-alone"))
        return _stored(site)

    lat_deg, lon_deg = at
    return Site(
        name=clean_name(name),
        lat_deg=lat_deg,
        lon_deg=lon_deg,
        elevation_m=elevation_m or 0.0,
        zone=zone or zone_at(lat_deg, lon_deg),
        horizon=read_horizon(horizon),
    )


def _stored(name: str) -> Site:
    with build().sessions() as session:
        return newest_revision(session, get_site(session, name).id).site


def with_darkness(site: Site, readings: tuple[str, ...], bortle_class: int | None, convention: str) -> Site:
    """The site with the darkness that these give, or as it is without any.

    readings: `MAG` (said to be moonless and clear) or `MAG@TIME` (the Moon is then worked out). A reading
    wins over a class. BadInput when no reading counts.
    """
    if readings:
        darkness = darkness_of_readings(site, tuple(map(read_reading, readings)), Ephemeris.open())
        if darkness is None:
            raise BadInput(phrase("cli.readings-none-count"))
        return replace(site, darkness=darkness)
    if bortle_class is not None:
        return replace(site, darkness=darkness_of_class(bortle_class, BortleConvention(convention)))
    return site


def read_reading(text: str) -> Reading:
    """A reading from `21.4` or `21.4@2026-07-15T23:00Z`; BadInput shows the forms."""
    value, _, at = text.partition("@")
    try:
        mag = float(value)
        measured_at = datetime.fromisoformat(at) if at else None
    except ValueError:
        raise BadInput(phrase("cli.no-reading", text=text)) from None
    if measured_at is not None and measured_at.tzinfo is None:
        raise BadInput(phrase("cli.reading-no-zone", text=text))
    return Reading(mag, clear=True, moonless=measured_at is None, measured_at=measured_at)


def say_darkness(site: Site) -> str:
    """What is known of the site's darkness, in a few words; "" when nothing is."""
    known = site.darkness
    if known is None:
        return ""
    reading = f"{known.sqm_mag_arcsec2:.2f} mag/arcsec²"
    if known.bortle_class is not None:
        return say(
            "cli.darkness-bortle",
            bortle_class=known.bortle_class,
            convention=(known.convention or "").replace("_", " "),
            reading=reading,
        )
    count = say("cli.darkness-median", n_readings=known.n_readings) if known.n_readings > 1 else "measured"
    when = f", last on {known.measured_on}" if known.measured_on else ""
    return f"{reading}, {count}{when}"


def settle_place(duskbell: Duskbell, at: tuple[float, float], *, is_sure: bool) -> tuple[float, float]:
    """That place, or the one meant instead, as answered on a terminal. is_sure: don't ask.

    Elsewhere a doubt ends the command (exit code 2); so does a no.
    """
    with duskbell.sessions() as session:
        operator = people.find_operator(session)
        home = operator.home if operator is not None else None
    doubt = None if is_sure else doubts(*at, home)
    if doubt is None:
        return at
    if not sys.stdin.isatty():
        raise click.UsageError(say("cli.place-doubt", doubt=doubt.text))
    meant = ask_about(doubt)
    if meant is None:
        raise click.UsageError(say("cli.place-not-kept"))
    return meant


def ask_about(doubt: PlaceDoubts, indent: str = "") -> tuple[float, float] | None:
    """The place that is meant, as somebody answers on a terminal; None for neither of the two."""
    click.echo(f"{indent}{doubt.text}")
    if doubt.swapped is not None and click.confirm(f"{indent}Take that instead?", default=True):
        return doubt.swapped
    if click.confirm(say("cli.ask-as-written", indent=indent), default=False):
        return doubt.lat_deg, doubt.lon_deg
    return None


def progress_bar(what: str = "nights") -> Callable[[int, int], None]:
    """A bar on standard error that appears only when the work takes longer than a second."""
    started, shown = time.monotonic(), False

    def show(done: int, total: int) -> None:
        nonlocal shown
        if not shown and (time.monotonic() - started < BAR_AFTER_S or done >= total):
            return
        shown = True
        filled = BAR_WIDTH * done // max(total, 1)
        end = "\n" if done >= total else ""
        bar = f"\r[{'#' * filled}{'.' * (BAR_WIDTH - filled)}] {done}/{total} {what}{end}"
        click.echo(bar, err=True, nl=False)

    return show
