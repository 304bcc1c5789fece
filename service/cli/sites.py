"""`duskbell site`: the places."""

from __future__ import annotations

from pathlib import Path

import click

from alerts.naming import clean_name
from alerts.site import Site
from service.cli.options import LAT_LON
from service.cli.skyoptions import read_horizon


@click.group()
def site() -> None:
    """Add and list sites."""


@site.command("add")
@click.argument("name")
@click.option(
    "--at", "at", type=LAT_LON, required=True, help="Coordinates in decimal degrees, south and west negative."
)
@click.option("--elevation", "elevation_m", type=float, default=None, help="Metres above sea level.")
@click.option("--zone", default=None, help="IANA time zone; found from the coordinates unless given.")
@click.option("--horizon", type=click.Path(path_type=Path), default=None, help="CSV of azimuth,altitude.")
def add(
    name: str, at: tuple[float, float], elevation_m: float | None, zone: str | None, horizon: Path | None
) -> None:
    """Add the site NAME."""
    from service.bootstrap import build
    from service.places import zone_at
    from service.store.people import get_operator
    from service.store.sites import add_site

    lat_deg, lon_deg = at
    place = Site(
        name=clean_name(name, "site name"),
        lat_deg=lat_deg,
        lon_deg=lon_deg,
        elevation_m=elevation_m or 0.0,
        zone=zone or zone_at(lat_deg, lon_deg),
        horizon=read_horizon(horizon),
    )
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        owner = get_operator(session, zone=place.zone, now=now)
        add_site(session, owner, place, elevation_known=elevation_m is not None, now=now)
    click.echo(f"Added {place.name} at {lat_deg:g}, {lon_deg:g} ({place.zone}).")
    click.echo(f'Next: duskbell subscribe "{place.name}" --email YOU@EXAMPLE.ORG')


@site.command("list")
def list_sites() -> None:
    """List all sites."""
    from service.bootstrap import build
    from service.store.sites import find_sites, newest_revision

    duskbell = build()
    with duskbell.sessions() as session:
        rows = find_sites(session)
        if not rows:
            click.echo('No sites yet. Add one: duskbell site add "Windpump Flat" --at LAT,LON')
        for row in rows:
            place = newest_revision(session, row.id).site
            click.echo(f"{place.name:<30}  {place.lat_deg:>9.4f}  {place.lon_deg:>10.4f}  {place.zone}")
