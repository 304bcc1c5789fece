"""`duskbell site`: the places."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import click

from alerts.briefing.text.obstacle_text import lines_of
from alerts.common.clock_times import parse_clock_span
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.sites.model import Foreground, Gate, Site
from alerts.sites.names import clean_name, clean_note
from alerts.wishes.parse import is_nothing
from service.app import build
from service.cli.options import LAT_LON, read_horizon, say_darkness, settle_place, with_darkness
from service.common.timezones import is_at_sea, zone_at
from service.reports.ring_check import RingCheck
from service.store.repositories.people import get_operator
from service.store.repositories.sites import add_site, find_sites, get_site, newest_revision, revise_site


@click.group()
def site() -> None:
    """Add, describe anew and list sites."""


@site.command("add")
@click.argument("name")
@click.option(
    "--at",
    "at",
    type=LAT_LON,
    required=True,
    help=say("cli.help-site-at"),
)
@click.option("--elevation", "elevation_m", type=float, default=None, help=say("cli.help-elevation"))
@click.option("--zone", default=None, help=say("cli.help-zone-found"))
@click.option("--horizon", type=click.Path(path_type=Path), default=None, help="CSV of azimuth,altitude.")
@click.option("--sqm", "readings", multiple=True, metavar="MAG[@TIME]", help=say("cli.help-sqm"))
@click.option("--bortle", "bortle_class", type=int, default=None, help=say("cli.help-bortle"))
@click.option(
    "--bortle-table",
    type=click.Choice(["atlas_chart", "encyclopedia"]),
    default="atlas_chart",
    help=say("cli.help-bortle-table"),
)
@click.option("--yes", "is_sure", is_flag=True, help=say("cli.help-yes"))
def add(
    name: str,
    at: tuple[float, float],
    elevation_m: float | None,
    zone: str | None,
    horizon: Path | None,
    readings: tuple[str, ...],
    bortle_class: int | None,
    bortle_table: str,
    is_sure: bool,
) -> None:
    """Add the site NAME."""
    duskbell = build()
    lat_deg, lon_deg = settle_place(duskbell, at, is_sure=is_sure)
    place = Site(
        name=clean_name(name, "site name"),
        lat_deg=lat_deg,
        lon_deg=lon_deg,
        elevation_m=elevation_m or 0.0,
        zone=zone or zone_at(lat_deg, lon_deg),
        horizon=read_horizon(horizon),
    )
    place = with_darkness(place, readings, bortle_class, bortle_table)
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        owner = get_operator(session, zone=place.zone, now=now)
        add_site(session, owner, place, elevation_known=elevation_m is not None, now=now)
    click.echo(f"Added {place.name} at {lat_deg:g}, {lon_deg:g} ({place.zone}).")
    if is_at_sea(place.zone):
        click.echo(say("cli.site-at-sea"))
        click.echo(say("cli.site-at-sea-mend"))
    with duskbell.sessions() as session:
        found = RingCheck(duskbell, session, now).of_place(lat_deg, lon_deg)
    for line in lines_of(found):
        click.echo(line)
    click.echo(say("cli.site-next-subscribe", name=place.name))


@site.command("edit")
@click.argument("name")
@click.option("--at", "at", type=LAT_LON, default=None, help="New coordinates.")
@click.option("--elevation", "elevation_m", type=float, default=None, help=say("cli.help-elevation"))
@click.option("--zone", default=None, help=say("cli.help-zone"))
@click.option("--horizon", type=click.Path(path_type=Path), default=None, help="CSV of azimuth,altitude.")
@click.option(
    "--foreground", "foregrounds", multiple=True, metavar="NAME=BEARING", help=say("cli.help-foreground")
)
@click.option("--months", default=None, help=say("cli.help-months"))
@click.option("--sqm", "readings", multiple=True, metavar="MAG[@TIME]", help=say("cli.help-sqm"))
@click.option("--bortle", "bortle_class", type=int, default=None, help=say("cli.help-bortle"))
@click.option(
    "--bortle-table",
    type=click.Choice(["atlas_chart", "encyclopedia"]),
    default="atlas_chart",
    help=say("cli.help-bortle-table"),
)
@click.option("--note", default=None, help=say("cli.help-access-note"))
@click.option("--gate", default=None, metavar="HOURS", help=say("cli.help-gate"))
@click.option("--gate-stay/--gate-leave", default=None, help=say("cli.help-gate-stay"))
@click.option("--notes", default=None, help=say("cli.help-notes"))
@click.option("--yes", "is_sure", is_flag=True, help=say("cli.help-yes"))
def edit(
    name: str,
    at: tuple[float, float] | None,
    elevation_m: float | None,
    zone: str | None,
    horizon: Path | None,
    foregrounds: tuple[str, ...],
    months: str | None,
    readings: tuple[str, ...],
    bortle_class: int | None,
    bortle_table: str,
    note: str | None,
    gate: str | None,
    gate_stay: bool | None,
    notes: str | None,
    is_sure: bool,
) -> None:
    """Describe the site NAME anew; decisions made before keep what they were made on."""
    duskbell = build()
    if at is not None:
        at = settle_place(duskbell, at, is_sure=is_sure)
    changes: dict[str, object] = {
        key: value
        for key, value in {
            "lat_deg": at[0] if at else None,
            "lon_deg": at[1] if at else None,
            "elevation_m": elevation_m,
            "zone": zone,
            "horizon": read_horizon(horizon) if horizon else None,
            "foregrounds": tuple(map(read_foreground, foregrounds)) or None,
            "access_months": read_months(months) if months else None,
            "access_note": read_note(note),
            "notes": read_note(notes),
        }.items()
        if value is not None
    }
    if not changes and not readings and bortle_class is None and gate is None and gate_stay is None:
        raise BadInput(phrase("cli.site-change-what"))
    with duskbell.sessions.begin() as session:
        row = get_site(session, name)
        known = newest_revision(session, row.id)
        if gate is not None or gate_stay is not None:
            changes["gate"] = read_gate(gate, gate_stay, known.site.gate)
        revised = replace(known.site, **changes)  # type: ignore[arg-type]  # fields of Site, checked by it
        revised = with_darkness(revised, readings, bortle_class, bortle_table)
        elevation_known = known.elevation_known or elevation_m is not None
        revise_site(session, row, revised, elevation_known=elevation_known, now=duskbell.clock())
        changed = [*sorted(changes), *(["darkness"] if revised.darkness != known.site.darkness else [])]
        click.echo(
            say("cli.site-changed", name=row.name, fields=[each.replace("_", " ") for each in changed])
        )


def read_foreground(text: str) -> Foreground:
    """A foreground from `NAME=BEARING` in degrees; BadInput shows the form."""
    name, _, bearing = text.rpartition("=")
    try:
        bearing_deg = float(bearing)
    except ValueError:
        bearing_deg = math.nan
    if not name or not 0 <= bearing_deg < 360:
        raise BadInput(phrase("cli.no-foreground", text=text))
    return Foreground(clean_name(name, "foreground's name"), bearing_deg)


def read_months(text: str) -> tuple[int, ...]:
    """Months from `4-10` (also across the new year: `11-3`) or `5,6,7`; BadInput shows the forms."""
    months: list[int] = []
    for part in text.split(","):
        first, _, last = part.strip().partition("-")
        if not first.isdigit() or (last and not last.isdigit()):
            raise BadInput(phrase("cli.no-months", text=text))
        start, end = int(first), int(last or first)
        if not (1 <= start <= 12 and 1 <= end <= 12):
            raise BadInput(phrase("cli.months-out-of-range", text=text))
        count = (end - start) % 12 + 1
        months += [(start - 1 + i) % 12 + 1 for i in range(count)]
    return tuple(sorted(set(months)))


def read_note(text: str | None) -> str | None:
    """One line of text; "" for `none`, None where nothing was given."""
    if text is None:
        return None
    return "" if is_nothing(text) else clean_note(text)


def read_gate(hours: str | None, may_stay: bool | None, known: Gate | None) -> Gate | None:
    """The gate of hours such as `06:00-22:00`; None for `none`. What isn't given stays as known."""
    if hours is not None and is_nothing(hours):
        return None
    if hours is None and known is None:
        raise BadInput(phrase("cli.no-gate"))
    span = parse_clock_span(hours) if hours is not None else known.hours if known else None
    assert span is not None, "there are hours, or a gate known with some"
    return Gate(span, may_stay if may_stay is not None else bool(known and known.may_stay))


@site.command("list")
def list_sites() -> None:
    """List all sites."""
    duskbell = build()
    with duskbell.sessions() as session:
        rows = find_sites(session)
        if not rows:
            click.echo(say("cli.sites-none"))
        for row in rows:
            place = newest_revision(session, row.id).site
            where = f"{place.lat_deg:>9.4f}  {place.lon_deg:>10.4f}  {place.zone:<22}"
            click.echo(f"{place.name:<30}  {where}  {say_darkness(place)}".rstrip())
