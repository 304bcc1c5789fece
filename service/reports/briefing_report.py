"""A night's briefing for whoever asks, in every form; nothing is sent by it."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime

from alerts.briefing.calendar import CalendarEntry, build_calendar
from alerts.briefing.collect import NightFindings, build_field_notes, preview_facts, sky_note
from alerts.briefing.facts import NOTHING_AHEAD, Ahead, Briefing, FieldNotes
from alerts.briefing.payload import build_payload
from alerts.briefing.pictures.drawing import LIGHT, PRINT, Palette, Picture
from alerts.briefing.pictures.night_picture import NightToDraw
from alerts.briefing.render import draw_pictures, page_with_pictures, render_mail
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.units import Units
from alerts.field.kit import Kit
from alerts.field.trip_plan import plan_trip
from alerts.judging.window_brightness import window_sky
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarkWindow, Night
from service.delivery.png import render_png

PREVIEW_ID = "msg_preview"


@dataclass(frozen=True, slots=True)
class InCalendars:
    """What mails and feeds have the night's event by. words: how many were told of it so far."""

    key: str
    words: int


@dataclass(frozen=True, slots=True)
class Brief:
    """A briefing of one alert, and what its pictures are drawn from."""

    site: Site
    night: Night
    window: DarkWindow | None
    notes: FieldNotes | None
    briefing: Briefing
    ephemeris: Ephemeris
    now: datetime
    in_calendars: InCalendars | None = None


def build_brief(
    found: NightFindings,
    ephemeris: Ephemeris,
    *,
    kit: Kit | None = None,
    units: Units = Units.METRIC,
    ahead: Ahead = NOTHING_AHEAD,
) -> Brief:
    """The briefing of that night, whose trip is planned here. kit: None takes the usual one and says so.
    ahead: what is said where no forecast reaches the night yet, or where it has no window."""
    site, night, verdict = found.site, found.night, found.verdict
    window = verdict.window or (night.windows[0] if night.windows else None)
    if window is not None:
        found = replace(found, plan=plan_trip(night, verdict.usable or window.span, found.wishes, site))
        notes = build_field_notes(found, window, ephemeris, kit)
        aod = verdict.outlook.aerosol_optical_depth if verdict.outlook else None
        sky = sky_note(window, window_sky(site, window, ephemeris, aod))
        found = replace(found, notes=notes, sky=sky)
    briefing = Briefing(message_id=PREVIEW_ID, alerts=(preview_facts(found, ahead),), units=units)
    return Brief(site, night, window, found.notes, briefing, ephemeris, found.now)


def brief_text(brief: Brief) -> str:
    return render_mail(brief.briefing).text


def brief_page(brief: Brief) -> str:
    """One HTML page that holds its pictures, made to print on a sheet."""
    return page_with_pictures(brief.briefing, {0: brief_pictures(brief, PRINT)})


def brief_json(brief: Brief) -> str:
    return json.dumps(build_payload(brief.briefing), ensure_ascii=False, indent=2)


def brief_calendar(brief: Brief) -> bytes:
    """The window and the leave-by time as events; BadInput for a night without a window."""
    own = f"preview-{brief.night.name}-{brief.site.lat_deg:+.4f}{brief.site.lon_deg:+.4f}"
    known = brief.in_calendars or InCalendars(own, 0)
    entry = CalendarEntry(
        facts=brief.briefing.alerts[0],
        key=known.key,
        sequence=known.words,
        place=(brief.site.lat_deg, brief.site.lon_deg),
        units=brief.briefing.units,
    )
    content = build_calendar([entry], stamped_at=brief.now)
    if not content:
        raise BadInput(phrase("reports.calendar-no-window"))
    return content


def brief_pictures(brief: Brief, palette: Palette = LIGHT) -> tuple[Picture, ...]:
    """The night, and with a window the view through the lens and for an arch the panorama."""
    facts = brief.briefing.alerts[0]
    glows = facts.sky.towns if facts.sky else ()
    drawn = NightToDraw(brief.site, brief.night, brief.window, brief.notes, facts.cloud, glows)
    return draw_pictures(drawn, brief.ephemeris, palette, units=brief.briefing.units)


def brief_picture(brief: Brief, name: str) -> Picture:
    """The picture of that name; BadInput names those there are."""
    drawn = brief_pictures(brief)
    for picture in drawn:
        if picture.name == name:
            return picture
    there = ", ".join(picture.name for picture in drawn)
    raise BadInput(phrase("reports.no-such-picture", name=name, there=there))


def brief_svg(brief: Brief, name: str) -> str:
    return brief_picture(brief, name).svg


def brief_png(brief: Brief, name: str) -> bytes:
    return render_png(brief_picture(brief, name))
