"""Options that say which place and which sky is meant, shared by several commands."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from alerts.common.errors import BadInput
from alerts.sites.horizon import horizon_from_csv
from alerts.sites.model import HorizonLine, Site
from alerts.sites.names import clean_name
from service.app import build
from service.cli.options import LAT_LON
from service.common.timezones import zone_at
from service.store.repositories.sites import get_site, newest_revision

F = TypeVar("F", bound=Callable[..., Any])

_PLACE = (
    click.option("--at", "at", type=LAT_LON, default=None, help="LAT,LON of a place, instead of SITE."),
    click.option("--name", default="This place", help="What to call the place given with --at."),
    click.option("--zone", default=None, help="IANA time zone; found from the coordinates unless given."),
    click.option("--elevation", "elevation_m", type=float, default=None, help="Metres above sea level."),
    click.option("--horizon", type=click.Path(path_type=Path), default=None, help="CSV of azimuth,altitude."),
)
_SKY = (
    click.option("--target", default="core", help="core, band, winter, none, or NAME=RA,DEC in degrees."),
    click.option("--above", "above_deg", type=float, default=None, help="Lowest altitude of the target."),
    click.option("--near-dark", is_flag=True, help="Let the Sun be as high as 15° below the horizon."),
    click.option("--any-moon", is_flag=True, help="Don't ask for the Moon to be down."),
    click.option("--moon-loss", "moon_loss_mag", type=float, default=None, help="Let a thin Moon cost MAG."),
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
        raise BadInput(f"{path} can't be read as text: {error}") from None
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
        raise BadInput("name a SITE, or a place with --at LAT,LON; one of the two.")
    if at is None:
        assert site is not None, "one of the two is given"
        if zone is not None or elevation_m is not None or horizon is not None:
            raise BadInput("--zone, --elevation and --horizon go with --at; a stored site has its own.")
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
