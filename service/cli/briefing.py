"""`duskbell briefing`: what a message about a night would say, without sending one."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from alerts.errors import BadInput
from service.cli.options import DAY, MOMENT
from service.cli.skyoptions import climate_at, correction_at, find_place, place_options

if TYPE_CHECKING:
    from alerts.wishes import Wishes
    from service.brief import Brief


@click.command()
@click.argument("site", required=False)
@place_options
@click.option("--date", "day", type=DAY, default=None, help="Civil date of the evening; default tonight.")
@click.option("--as-of", "as_of", type=MOMENT, default=None, help="Judge as if it were TIME; default now.")
@click.option("--kit", "kit_text", default=None, help='Such as "full frame 24 MP, 20mm f/1.8".')
@click.option("--weather", "weather", multiple=True, metavar="[FEED/MODEL=]FILE", help="Recorded answer.")
@click.option("--offline", is_flag=True, help="Ask no feed: the sky alone.")
@click.option("--imperial", is_flag=True, help="Miles, feet and degrees Fahrenheit.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "html", "json", "ics", "svg", "png"]),
    default="text",
    help="html is one page that holds its pictures and prints on a sheet.",
)
@click.option("--picture", default="night", help="For svg and png: night, view or panorama.")
@click.option("--output", type=click.Path(path_type=Path), default=None, help="File to write.")
def briefing(
    site: str | None,
    at: tuple[float, float] | None,
    name: str,
    zone: str | None,
    elevation_m: float | None,
    horizon: Path | None,
    day: date | None,
    as_of: datetime | None,
    kit_text: str | None,
    weather: tuple[str, ...],
    offline: bool,
    imperial: bool,
    form: str,
    picture: str,
    output: Path | None,
) -> None:
    """Everything for the field about one night at SITE, or at a place given with --at.

    For a SITE that somebody watches, with the wishes and the kit of its oldest subscription.
    """
    from alerts.briefing.facts import Units
    from alerts.briefing.units import units_of
    from alerts.kittext import parse_kit
    from alerts.night import night_named, tonight_name
    from alerts.sky.ephemeris import Ephemeris
    from service.brief import build_brief
    from service.cli.weatherat import Weather, ask_for, moment_to_judge, read_weather

    place = find_place(site, at, name, zone, elevation_m, horizon)
    wishes, usual_kit, say_record = _usual(site)
    kit = parse_kit(kit_text or usual_kit) if kit_text or usual_kit else None
    recorded = read_weather(weather, place, offline=offline)
    now, ephemeris = moment_to_judge(as_of, recorded), Ephemeris.open()
    night = night_named(place, day or tonight_name(place, now, ephemeris), wishes.sky, ephemeris)
    known_m = place.elevation_m if site is not None else elevation_m
    found = Weather(recorded) if weather or offline else ask_for(place, night, now, known_m)
    units = Units.IMPERIAL if imperial else units_of(wishes)
    brief = build_brief(
        place,
        night,
        found.forecasts,
        wishes,
        ephemeris,
        now=now,
        kit=kit,
        units=units,
        say_record=partial(say_record, now) if say_record else None,
        correct=correction_at(site, now),
        climate=climate_at(site, now),
    )
    for problem in found.problems:
        click.echo(f"duskbell: {problem}", err=True)
    _deliver(_written(brief, form, picture), output)


def _usual(site: str | None) -> tuple[Wishes, str, Callable[[datetime, datetime, int], str] | None]:
    """Wishes, kit and the record of a stored site; the defaults and no record for a place by coordinates."""
    from service.bootstrap import build
    from service.store.people import default_wishes
    from service.usual import usual_for

    if site is None:
        return default_wishes(), "", None
    duskbell = build()
    with duskbell.sessions() as session:
        usual = usual_for(session, site)

    def say(now: datetime, window_start: datetime, chance_pct: int) -> str:
        with duskbell.sessions() as session:
            return usual.say_record(session, window_start, now, chance_pct)

    return usual.wishes, usual.kit, say


def _written(brief: Brief, form: str, picture: str) -> str | bytes:
    from service import brief as forms

    if form == "svg":
        return forms.brief_svg(brief, picture)
    if form == "png":
        return forms.brief_png(brief, picture)
    if form == "ics":
        return forms.brief_calendar(brief)
    if form == "json":
        return forms.brief_json(brief)
    return forms.brief_page(brief) if form == "html" else forms.brief_text(brief)


def _deliver(content: str | bytes, output: Path | None) -> None:
    if output is None:
        click.echo(content, nl=isinstance(content, str))
        return
    try:
        output.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    except OSError as error:
        raise BadInput(f"{output} can't be written: {error.strerror}.") from None
    click.echo(f"Written to {output}.")
