"""A night's briefing for whoever asks, in every form; nothing is sent by it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from alerts.briefing.calendar import CalendarEntry, build_calendar
from alerts.briefing.collect import NightFindings, build_field_notes, ground_note, preview_facts, sky_note
from alerts.briefing.facts import NOTHING_AHEAD, Ahead, Briefing
from alerts.briefing.payload import build_payload
from alerts.briefing.pictures.drawing import LIGHT, PRINT, Palette, Picture
from alerts.briefing.pictures.night_picture import NightToDraw
from alerts.briefing.render import draw_pictures, page_with_pictures, render_mail
from alerts.common.clock_times import parse_clock
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.units import Units
from alerts.field.kit import Kit
from alerts.field.trip_plan import plan_trip
from alerts.judging.window_brightness import window_sky
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarkWindow, Night, Shape, shape_phrase
from alerts.sky.tracks import best_minute, shapes_at
from alerts.wishes.parse import read_shape
from service.delivery.enclosures import render_png

PREVIEW_ID = "msg_preview"


@dataclass(frozen=True, slots=True)
class InCalendars:
    """What mails and feeds have the night's event by. words: how many were told of it so far."""

    key: str
    words: int


@dataclass(frozen=True, slots=True)
class MomentAsked:
    """Which moment of a night is drawn and planned for: a time on the site's clock as people type it
    (`01:30`), or that at which a shape shows best; neither for the night's best one."""

    at_time: str | None = None
    shape: str | None = None

    def find(self, site: Site, night: Night, window: DarkWindow, ephemeris: Ephemeris) -> datetime | None:
        """BadInput for both, for a time that isn't between sunset and sunrise, and for a shape that doesn't
        stand in the window: it says which do."""
        if self.at_time and self.shape:
            raise BadInput(phrase("reports.time-or-shape"))
        if self.at_time:
            clock, span = parse_clock(self.at_time), night.sunset_to_sunrise
            evening = span.start.astimezone(site.tz).date()
            days = (evening, evening + timedelta(days=1))
            times = (datetime.combine(day, clock, site.tz).astimezone(UTC) for day in days)
            at = next((at for at in times if span.start <= at <= span.end), None)
            if at is None:
                raise BadInput(
                    phrase("reports.time-outside", at=clock, night=night.name, span=span).on(site.zone)
                )
            return at
        if not self.shape:
            return None
        shape = read_shape(self.shape)
        at = best_minute(site, window, shape, ephemeris)
        if at is None:
            standing = dict.fromkeys(each for piece in window.shapes for each in piece.standing)
            stands = tuple(map(shape_phrase, standing))
            raise BadInput(phrase("reports.shape-absent", shape=shape_phrase(shape), stands=stands))
        return at


BEST_MOMENT = MomentAsked()


@dataclass(frozen=True, slots=True)
class Brief:
    """A briefing of one alert, and what its pictures are drawn from. window: None without one."""

    found: NightFindings
    window: DarkWindow | None
    briefing: Briefing
    ephemeris: Ephemeris
    moment: MomentAsked
    in_calendars: InCalendars | None = None


def build_brief(
    found: NightFindings,
    ephemeris: Ephemeris,
    *,
    kit: Kit | None = None,
    units: Units = Units.METRIC,
    ahead: Ahead = NOTHING_AHEAD,
    moment: MomentAsked = BEST_MOMENT,
) -> Brief:
    """The briefing of that night, whose trip is planned here. kit: None takes the usual one and says so.
    ahead: what is said where no forecast reaches the night yet, or where it has no window."""
    site, night, verdict = found.site, found.night, found.verdict
    window = verdict.window or (night.windows[0] if night.windows else None)
    if window is None and moment != BEST_MOMENT:
        raise BadInput(phrase("reports.moment-no-window"))
    found = replace(found, ground=ground_note(site, night, ephemeris))
    if window is not None:
        found = replace(found, plan=plan_trip(night, verdict.usable or window.span, found.wishes, site))
        at = moment.find(site, night, window, ephemeris)
        notes = build_field_notes(found, window, ephemeris, kit, at)
        aod = verdict.outlook.aerosol_optical_depth if verdict.outlook else None
        sky = sky_note(window, window_sky(site, window, ephemeris, aod))
        found = replace(found, notes=notes, sky=sky)
    briefing = Briefing(message_id=PREVIEW_ID, alerts=(preview_facts(found, ahead),), units=units)
    return Brief(found, window, briefing, ephemeris, moment)


def brief_pictures(brief: Brief, palette: Palette = LIGHT) -> tuple[Picture, ...]:
    """The night, and with a window the view through the lens and for an arch the panorama."""
    found, facts = brief.found, brief.briefing.alerts[0]
    glows = facts.sky.towns if facts.sky else ()
    drawn = NightToDraw(found.site, found.night, brief.window, found.notes, facts.cloud, glows)
    return draw_pictures(drawn, brief.ephemeris, palette, units=brief.briefing.units)


def brief_picture(brief: Brief, name: str) -> Picture:
    """The picture of that name; BadInput names those there are. A panorama is of the arch at its best where
    none stands in the night's best moment and no other was asked for."""
    notes, window = brief.found.notes, brief.window
    if name == "panorama" and brief.moment == BEST_MOMENT and notes and window and notes.panorama is None:
        at = best_minute(brief.found.site, window, Shape.ARCH, brief.ephemeris)
        if at is not None:
            notes = build_field_notes(brief.found, window, brief.ephemeris, notes.kit, at)
            brief = replace(brief, found=replace(brief.found, notes=notes))
    drawn = {picture.name: picture for picture in brief_pictures(brief)}
    if name == "panorama" and notes and window and name not in drawn:
        best_at, site = notes.frames.best_at, brief.found.site
        stands = tuple(map(shape_phrase, shapes_at(site, window.target, best_at, brief.ephemeris)))
        raise BadInput(phrase("reports.no-arch", at=best_at, stands=stands).on(site.zone))
    if name not in drawn:
        raise BadInput(phrase("reports.no-such-picture", name=name, there=", ".join(drawn)))
    return drawn[name]


def brief_calendar(brief: Brief) -> bytes:
    """The window and the leave-by time as events; BadInput for a night without a window."""
    place = brief.found.site.lat_deg, brief.found.site.lon_deg
    own = f"preview-{brief.found.night.name}-{place[0]:+.4f}{place[1]:+.4f}"
    known = brief.in_calendars or InCalendars(own, 0)
    facts, units = brief.briefing.alerts[0], brief.briefing.units
    entry = CalendarEntry(facts=facts, key=known.key, sequence=known.words, place=place, units=units)
    content = build_calendar([entry], stamped_at=brief.found.now)
    if not content:
        raise BadInput(phrase("reports.calendar-no-window"))
    return content


FORMS: dict[str, Callable[[Brief, str], str | bytes]] = {
    "text": lambda brief, _: render_mail(brief.briefing).text,
    "html": lambda brief, _: page_with_pictures(brief.briefing, {0: brief_pictures(brief, PRINT)}),
    "json": lambda brief, _: json.dumps(build_payload(brief.briefing), ensure_ascii=False, indent=2),
    "ics": lambda brief, _: brief_calendar(brief),
    "svg": lambda brief, picture: brief_picture(brief, picture).svg,
    "png": lambda brief, picture: render_png(brief_picture(brief, picture)),
}
"""By the form's name what writes it; svg and png are of the picture of a name. The page holds its pictures
and is made to print on a sheet."""
