"""`duskbell briefing`: what a message about a night would say, without sending one."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import click

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.common.units import Units
from alerts.field.kit import parse_kit
from alerts.sky.ephemeris import Ephemeris
from alerts.wishes.model import units_of
from service.app import build
from service.cli.one_night import NightAsked, OneNight, ahead_of, look_at_night, moment_to_judge, read_weather
from service.cli.options import DAY, MOMENT, find_place, place_options
from service.reports import briefing_report as forms
from service.reports.briefing_report import Brief, InCalendars, SayRecord, build_brief
from service.reports.default_reader import usual_for
from service.store.repositories.message_scenes import Words, calendar_key, words_told


@click.command()
@click.argument("site", required=False)
@place_options
@click.option("--date", "day", type=DAY, default=None, help=say("cli.help-date-tonight"))
@click.option("--as-of", "as_of", type=MOMENT, default=None, help=say("cli.help-as-of"))
@click.option("--kit", "kit_text", default=None, help=say("cli.help-briefing-kit"))
@click.option("--weather", "weather", multiple=True, metavar="[FEED/MODEL=]FILE", help="Recorded answer.")
@click.option("--offline", is_flag=True, help=say("cli.help-offline"))
@click.option("--imperial", is_flag=True, help=say("cli.help-imperial"))
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "html", "json", "ics", "svg", "png"]),
    default="text",
    help=say("cli.help-briefing-format"),
)
@click.option("--picture", default="night", help=say("cli.help-briefing-picture"))
@click.option("--output", type=click.Path(path_type=Path), default=None, help=say("cli.help-output"))
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
    place = find_place(site, at, name, zone, elevation_m, horizon)
    recorded = read_weather(weather, place, offline=offline)
    now, ephemeris = moment_to_judge(as_of, recorded), Ephemeris.open()
    asked = NightAsked(
        site_name=site,
        place=place,
        elevation_m=place.elevation_m if site is not None else elevation_m,
        day=day,
        recorded=recorded if weather else None,
        offline=offline,
        as_of=as_of,
    )
    found = look_at_night(asked, ephemeris, now)
    usual_kit, say_record, in_calendars = _usual(site, found)
    kit = parse_kit(kit_text or usual_kit) if kit_text or usual_kit else None
    units = Units.IMPERIAL if imperial else units_of(found.wishes)
    brief = build_brief(
        found.site,
        found.night,
        found.verdict,
        found.inputs.forecasts,
        found.wishes,
        ephemeris,
        now=found.as_of,
        kit=kit,
        units=units,
        say_record=say_record,
        in_calendars=in_calendars,
        ahead=ahead_of(found, asked, ephemeris, now),
    )
    for problem in found.problems:
        click.echo(f"duskbell: {problem}", err=True)
    _deliver(_written(brief, form, picture), output)


def _usual(site: str | None, found: OneNight) -> tuple[str, SayRecord | None, InCalendars | None]:
    """Kit and record of a stored site, and what calendars know its night by; nothing for coordinates."""
    if site is None:
        return "", None, None
    duskbell = build()
    with duskbell.sessions() as session:
        usual = usual_for(session, site)
        in_calendars = None
        if usual.watcher is not None:
            person_id, site_id, night = usual.watcher.person_id, usual.stored.site_id, found.night.name
            words = words_told(session, person_id, [site_id], night).get((site_id, night), Words())
            key = calendar_key(duskbell.keys, person_id, site_id, night)
            in_calendars = InCalendars(key, words.count)

    def say_record(window_start: datetime, chance_pct: int) -> str:
        with duskbell.sessions() as session:
            return usual.say_record(session, window_start, found.as_of, chance_pct)

    return usual.kit, say_record, in_calendars


def _written(brief: Brief, form: str, picture: str) -> str | bytes:
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
        raise BadInput(phrase("cli.file-unwritable", output=output, strerror=error.strerror)) from None
    click.echo(f"Written to {output}.")
