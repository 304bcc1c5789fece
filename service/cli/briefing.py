"""`duskbell briefing`: what a message about a night would say, without sending one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import click

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.common.units import Units
from alerts.field.kit import parse_kit
from alerts.weather.chance import cloud_hours
from alerts.wishes.model import units_of
from service.app import build
from service.cli.one_night import NightAsked, OneNight, look_at_night
from service.cli.options import (
    PlaceAsked,
    as_of_option,
    day_option,
    hands_over,
    offline_option,
    place_options,
    weather_option,
)
from service.common.kept_sky import open_ephemeris
from service.reports.briefing_report import FORMS, Brief, InCalendars, MomentAsked, build_brief
from service.reports.default_reader import usual_for
from service.store.repositories.alerts import Words, calendar_key, words_told


@dataclass(frozen=True, slots=True)
class BriefingForm:
    """In what form it is written, and where to; None for standard output. picture: of svg and png."""

    form: str
    picture: str
    output: Path | None

    def write(self, brief: Brief) -> None:
        content = FORMS[self.form](brief, self.picture)
        if self.output is None:
            click.echo(content, nl=isinstance(content, str))
            return
        try:
            self.output.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
        except OSError as error:
            unwritable = phrase("cli.file-unwritable", output=self.output, strerror=error.strerror)
            raise BadInput(unwritable) from None
        click.echo(say("cli.written-to", output=self.output))


@click.command(help=say("cli.about-briefing"))
@place_options
@day_option
@as_of_option
@click.option("--kit", help=say("cli.help-briefing-kit"))
@weather_option
@offline_option
@click.option("--imperial", is_flag=True, help=say("cli.help-imperial"))
@click.option(
    "--format", "form", type=click.Choice(list(FORMS)), default="text", help=say("cli.help-briefing-format")
)
@click.option("--picture", default="night", help=say("cli.help-briefing-picture"))
@click.option("--at-time", metavar="HH:MM", help=say("cli.help-briefing-at-time"))
@click.option("--shape", metavar="SHAPE", help=say("cli.help-briefing-shape"))
@click.option("--output", type=click.Path(path_type=Path), help=say("cli.help-output"))
@hands_over(place=PlaceAsked, night=NightAsked, form=BriefingForm, moment=MomentAsked)
def briefing(
    place: PlaceAsked,
    night: NightAsked,
    kit: str | None,
    imperial: bool,
    form: BriefingForm,
    moment: MomentAsked,
) -> None:
    ephemeris = open_ephemeris()
    seen = look_at_night(place, night, ephemeris)
    record, usual_kit, in_calendars = _usual(place.site, seen)
    forecasts = seen.inputs.forecasts
    cloud = cloud_hours(seen.night.sunset_to_sunrise, forecasts, now=seen.as_of) if forecasts else ()
    brief = build_brief(
        replace(seen.findings, cloud=cloud, record=record),
        ephemeris,
        kit=parse_kit(kit or usual_kit) if kit or usual_kit else None,
        units=Units.IMPERIAL if imperial else units_of(seen.wishes),
        ahead=seen.ahead(night, ephemeris),
        moment=moment,
    )
    for problem in seen.problems:
        click.echo(f"duskbell: {problem}", err=True)
    form.write(replace(brief, in_calendars=in_calendars))


def _usual(site: str | None, seen: OneNight) -> tuple[str, str, InCalendars | None]:
    """What came of forecasts like this one, and the kit, of a stored site, and what calendars know its night
    by; nothing for coordinates."""
    if site is None:
        return "", "", None
    duskbell, window, chance_pct = build(), seen.verdict.window, seen.verdict.chance_pct
    with duskbell.sessions() as session:
        usual, record, in_calendars = usual_for(session, site), "", None
        if window is not None and chance_pct is not None:
            record = usual.say_record(session, window.span.start, seen.as_of, chance_pct)
        if usual.watcher is not None:
            person_id, site_id, night = usual.watcher.person_id, usual.stored.site_id, seen.night.name
            words = words_told(session, person_id, [site_id], night).get((site_id, night), Words())
            key = calendar_key(duskbell.keys, person_id, site_id, night)
            in_calendars = InCalendars(key, words.count)
    return record, usual.kit, in_calendars
