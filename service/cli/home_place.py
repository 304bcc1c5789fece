"""`duskbell home`: where drives are estimated from, where nobody says how long one takes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import click
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.field.driving import USUAL_SPEED_KMH, Home
from alerts.wishes.fields import drive_words
from alerts.wishes.model import Wishes
from service.app import build
from service.cli.options import LAT_LON
from service.store.json_values import from_json
from service.store.repositories import people
from service.store.schema import core_tables


@click.command()
@click.option("--at", "place", type=LAT_LON, default=None, help="Your home; kept to about 1 km.")
@click.option(
    "--speed", type=float, default=None, metavar="KM/H", help="How fast you travel; 70 unless given."
)
@click.option("--forget", is_flag=True, help="Keep no home; drives take 90 minutes where none is given.")
def home(place: tuple[float, float] | None, speed: float | None, forget: bool) -> None:
    """Show or set the operator's home: drives are estimated from it for sites that are given none."""

    if forget and (place or speed):
        raise BadInput("--forget stands alone.")
    duskbell = build()
    with duskbell.sessions.begin() as session:
        person = people.get_operator(session, zone=people.UNKNOWN_ZONE, now=duskbell.clock())
        known = people.home_of(person)
        if forget:
            people.set_home(session, person, None)
        elif place is not None:
            at_speed = speed if speed is not None else known.speed_kmh if known else USUAL_SPEED_KMH
            people.set_home(session, person, Home(*place, at_speed))
        elif speed is not None:
            if known is None:
                raise BadInput("say where your home is first: duskbell home --at LAT,LON")
            people.set_home(session, person, replace(known, speed_kmh=speed))
        for line in _lines(session, person):
            click.echo(line)


def _lines(session: Session, person: core_tables.Person) -> Iterator[str]:
    known = people.home_of(person)
    if known is None:
        yield "No home is known. To have drives estimated from it: duskbell home --at LAT,LON"
        return
    yield f"Home: {known.lat_deg:.2f}, {known.lon_deg:.2f} (kept to about 1 km), at {known.speed_kmh:g} km/h."
    for row in people.running_subscriptions(session, person.id):
        yield f"  {row.site.name}: {drive_words(from_json(Wishes, row.wishes))}"
