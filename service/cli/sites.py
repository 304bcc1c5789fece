"""`duskbell site`: the places."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import click

from alerts.briefing.text.obstacle_text import lines_of
from alerts.common.clock_times import parse_clock_span
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.sites.model import Foreground, Gate, Site, clean_name, clean_note
from alerts.wishes.parse import is_nothing
from service.app import build
from service.cli.options import (
    LAT_LON,
    DarknessAsked,
    SpotAsked,
    darkness_options,
    elevation_option,
    hands_over,
    horizon_option,
    sure_option,
    zone_option,
)
from service.common.timezones import is_at_sea
from service.reports.ring_check import RingCheck
from service.store.repositories.people import get_operator
from service.store.repositories.sites import add_site, find_sites, get_site, newest_revision, revise_site


@dataclass(frozen=True, slots=True)
class GroundsAsked:
    """What stands at a site, when and how one comes in, and what else to know. months: such as `4-10`.
    gate: its hours."""

    foregrounds: tuple[str, ...]
    months: str | None
    note: str | None
    gate: str | None
    gate_stay: bool | None
    notes: str | None

    def changes(self) -> dict[str, object]:
        """Fields of the site that are given anew, but for its gate."""
        found: dict[str, object] = {}
        if self.foregrounds:
            found["foregrounds"] = tuple(map(read_foreground, self.foregrounds))
        if self.months:
            found["access_months"] = read_months(self.months)
        for field, text in (("access_note", self.note), ("notes", self.notes)):
            if text is not None:
                found[field] = "" if is_nothing(text) else clean_note(text)
        return found

    @property
    def names_gate(self) -> bool:
        return self.gate is not None or self.gate_stay is not None

    def read_gate(self, known: Gate | None) -> Gate | None:
        """The gate of those hours; None for `none`. What isn't given stays as known."""
        if self.gate is not None and is_nothing(self.gate):
            return None
        if self.gate is None and known is None:
            raise BadInput(phrase("cli.no-gate"))
        hours = parse_clock_span(self.gate) if self.gate is not None else known.hours if known else None
        assert hours is not None, "there are hours, or a gate known with some"
        return Gate(hours, self.gate_stay if self.gate_stay is not None else bool(known and known.may_stay))


@click.group(help=say("cli.about-site"))
def site() -> None: ...


@site.command("add", help=say("cli.about-site-add"))
@click.argument("name")
@click.option("--at", "at", type=LAT_LON, required=True, help=say("cli.help-site-at"))
@elevation_option
@zone_option
@horizon_option
@darkness_options
@sure_option
@hands_over(spot=SpotAsked, darkness=DarknessAsked)
def add(name: str, spot: SpotAsked, darkness: DarknessAsked) -> None:
    duskbell = build()
    place = darkness.of(spot.settled(duskbell).named(clean_name(name, "site")))
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        owner = get_operator(session, zone=place.zone, now=now)
        add_site(session, owner, place, elevation_known=spot.elevation_m is not None, now=now)
    click.echo(
        say("cli.site-added", name=place.name, lat_deg=place.lat_deg, lon_deg=place.lon_deg, zone=place.zone)
    )
    if is_at_sea(place.zone):
        click.echo(say("cli.site-at-sea"))
    with duskbell.sessions() as session:
        found = RingCheck(duskbell, session, now).of_place(place.lat_deg, place.lon_deg)
    for line in lines_of(found):
        click.echo(line)
    click.echo(say("cli.site-next-subscribe", name=place.name))


@site.command("edit", help=say("cli.about-site-edit"))
@click.argument("name")
@click.option("--at", "at", type=LAT_LON, help=say("cli.help-site-at-new"))
@elevation_option
@click.option("--zone", help=say("cli.help-zone"))
@horizon_option
@click.option(
    "--foreground", "foregrounds", multiple=True, metavar="NAME=BEARING", help=say("cli.help-foreground")
)
@click.option("--months", help=say("cli.help-months"))
@darkness_options
@click.option("--note", help=say("cli.help-access-note"))
@click.option("--gate", metavar="HOURS", help=say("cli.help-gate"))
@click.option("--gate-stay/--gate-leave", default=None, help=say("cli.help-gate-stay"))
@click.option("--notes", help=say("cli.help-notes"))
@sure_option
@hands_over(spot=SpotAsked, darkness=DarknessAsked, grounds=GroundsAsked)
def edit(name: str, spot: SpotAsked, darkness: DarknessAsked, grounds: GroundsAsked) -> None:
    duskbell = build()
    spot = spot.settled(duskbell)
    lat_deg, lon_deg = spot.at or (None, None)
    given = {"lat_deg": lat_deg, "lon_deg": lon_deg, "elevation_m": spot.elevation_m, "zone": spot.zone}
    changes: dict[str, object] = {field: value for field, value in given.items() if value is not None}
    if spot.horizon is not None:
        changes["horizon"] = spot.read_horizon()
    changes |= grounds.changes()
    if not changes and not darkness and not grounds.names_gate:
        raise BadInput(phrase("cli.site-change-what"))
    with duskbell.sessions.begin() as session:
        row = get_site(session, name)
        known = newest_revision(session, row.id)
        if grounds.names_gate:
            changes["gate"] = grounds.read_gate(known.site.gate)
        revised = darkness.of(replace(known.site, **changes))  # type: ignore[arg-type]  # checked by the site
        elevation_known = known.elevation_known or spot.elevation_m is not None
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
    return Foreground(clean_name(name, "foreground"), bearing_deg)


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


@site.command("list", help=say("cli.about-site-list"))
def list_sites() -> None:
    duskbell = build()
    with duskbell.sessions() as session:
        rows = find_sites(session)
        if not rows:
            click.echo(say("cli.sites-none"))
        for row in rows:
            place = newest_revision(session, row.id).site
            where = f"{place.lat_deg:>9.4f}  {place.lon_deg:>10.4f}  {place.zone:<22}"
            click.echo(f"{place.name:<30}  {where}  {_say_darkness(place)}".rstrip())


def _say_darkness(site: Site) -> str:
    """What is known of the site's darkness; "" when nothing is."""
    known = site.darkness
    if known is None:
        return ""
    if known.bortle_class is not None:
        return say(
            "cli.darkness-bortle",
            bortle_class=known.bortle_class,
            convention=(known.convention or "").replace("_", " "),
            mag=known.sqm_mag_arcsec2,
        )
    return say(
        "cli.darkness-measured-on" if known.measured_on else "cli.darkness-measured",
        n_readings=known.n_readings,
        mag=known.sqm_mag_arcsec2,
        measured_on=known.measured_on,
    )
