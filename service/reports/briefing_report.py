"""A night's briefing for whoever asks, in every form; nothing is sent by it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace

from alerts.briefing.calendar import CalendarEntry, build_calendar
from alerts.briefing.collect import NightFindings, build_field_notes, ground_note, preview_facts, sky_note
from alerts.briefing.facts import NOTHING_AHEAD, Ahead, Briefing
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
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarkWindow
from service.delivery.enclosures import render_png

PREVIEW_ID = "msg_preview"


@dataclass(frozen=True, slots=True)
class InCalendars:
    """What mails and feeds have the night's event by. words: how many were told of it so far."""

    key: str
    words: int


@dataclass(frozen=True, slots=True)
class Brief:
    """A briefing of one alert, and what its pictures are drawn from. window: None without one."""

    found: NightFindings
    window: DarkWindow | None
    briefing: Briefing
    ephemeris: Ephemeris
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
    found = replace(found, ground=ground_note(site, night, ephemeris))
    if window is not None:
        found = replace(found, plan=plan_trip(night, verdict.usable or window.span, found.wishes, site))
        notes = build_field_notes(found, window, ephemeris, kit)
        aod = verdict.outlook.aerosol_optical_depth if verdict.outlook else None
        sky = sky_note(window, window_sky(site, window, ephemeris, aod))
        found = replace(found, notes=notes, sky=sky)
    briefing = Briefing(message_id=PREVIEW_ID, alerts=(preview_facts(found, ahead),), units=units)
    return Brief(found, window, briefing, ephemeris)


def brief_pictures(brief: Brief, palette: Palette = LIGHT) -> tuple[Picture, ...]:
    """The night, and with a window the view through the lens and for an arch the panorama."""
    found, facts = brief.found, brief.briefing.alerts[0]
    glows = facts.sky.towns if facts.sky else ()
    drawn = NightToDraw(found.site, found.night, brief.window, found.notes, facts.cloud, glows)
    return draw_pictures(drawn, brief.ephemeris, palette, units=brief.briefing.units)


def brief_picture(brief: Brief, name: str) -> Picture:
    """The picture of that name; BadInput names those there are."""
    drawn = {picture.name: picture for picture in brief_pictures(brief)}
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
