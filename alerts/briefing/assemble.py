"""A whole briefing: pictures drawn, mail with pictures and calendar, or one page that holds everything."""

from __future__ import annotations

from base64 import b64encode
from binascii import b2a_qp
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

from alerts.briefing.facts.alert import Attachment, Briefing, MailParts, PictureLink
from alerts.briefing.facts.field_notes import FieldNotes, Standing, TownGlow
from alerts.briefing.pictures.drawing import NARROW, Picture
from alerts.briefing.pictures.frame_picture import draw_panorama, draw_view
from alerts.briefing.pictures.frame_scene import view_scene
from alerts.briefing.pictures.night_picture import draw_night
from alerts.briefing.pictures.night_scene import night_scene
from alerts.briefing.pictures.palettes import LIGHT, Palette
from alerts.briefing.render import render_mail
from alerts.briefing.template_environment import BUILT_IN, Templates
from alerts.common.span import Span
from alerts.common.units import Units
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarkWindow, Night, TargetKind, TrackPoint
from alerts.sky.tracks import target_track
from alerts.weather.cloud_by_hour import CloudHour

CALENDAR_NAME = "duskbell.ics"
CALENDAR_TYPE = "text/calendar"
LARGEST_MAIL_BYTES = 200_000
HEADERS_BYTES = 4_000
"""Those of the mail and of its parts."""


@dataclass(frozen=True, slots=True)
class PngPicture:
    """A picture and its file."""

    picture: Picture
    png: bytes


def draw_pictures(
    site: Site,
    night: Night,
    window: DarkWindow | None,
    notes: FieldNotes | None,
    ephemeris: Ephemeris,
    palette: Palette = LIGHT,
    *,
    width: int = NARROW,
    cloud: Sequence[CloudHour] = (),
    glows: Sequence[TownGlow] = (),
    units: Units = Units.METRIC,
    key: str = "",
) -> tuple[Picture, ...]:
    """The night, and with notes for the field the view through the lens and for an arch the panorama.

    cloud: for nights without notes, which carry their own. key: put before the ids in the drawings,
    where pictures of several nights share a page.
    """
    hours = notes.cloud if notes else cloud
    scene = night_scene(site, night, ephemeris, window=window, cloud=hours, clock_hours=units.clock_hours)
    pictures = [draw_night(scene, palette, width=width, key=f"{key}night")]
    if window is None or notes is None:
        return tuple(pictures)
    view = view_scene(
        site,
        notes.frames.best_at,
        notes.kit,
        notes.aim,
        ephemeris,
        standings=_standings(site, notes),
        glows=glows,
        panorama=notes.panorama,
        target=_target(site, window, notes, ephemeris),
        target_words=window.target.name or "target",
        units=units,
    )
    pictures.append(draw_view(view, palette, width=width, key=f"{key}view"))
    if notes.panorama is not None:
        pictures.append(draw_panorama(view, palette, width=width, key=f"{key}panorama"))
    return tuple(pictures)


def _standings(site: Site, notes: FieldNotes) -> list[Standing]:
    """What stands over the foregrounds that `site` shows; a viewer may be shown a site without them."""
    shown = {(each.name, each.bearing_deg) for each in site.foregrounds}
    return [each for each in notes.standings if (each.foreground, each.bearing_deg) in shown]


def _target(site: Site, window: DarkWindow, notes: FieldNotes, ephemeris: Ephemeris) -> TrackPoint | None:
    """Where a target by coordinates stands at the best moment; None for the core and the band."""
    if window.target.kind is not TargetKind.RADEC:
        return None
    at = notes.frames.best_at
    return target_track(site, window.target, Span(at, at + timedelta(seconds=1)), ephemeris)[0]


def mail_with_pictures(
    briefing: Briefing,
    pictures: Mapping[int, Sequence[PngPicture]],
    *,
    calendar: bytes = b"",
    templates: Templates = BUILT_IN,
) -> MailParts:
    """The mail with its pictures and its calendar file as attachments.

    pictures: by index in `briefing.alerts`, in the order of their worth: the last are left out where the
    mail would be larger than 200 kB. calendar: from `build_calendar`; empty for none.
    """
    shown = [(index, each) for index, drawn in pictures.items() for each in drawn]
    mail = _mail_showing(briefing, shown, calendar, templates)
    while shown and _wire_bytes(mail) > LARGEST_MAIL_BYTES:
        shown.pop()
        mail = _mail_showing(briefing, shown, calendar, templates)
    return mail


def _mail_showing(
    briefing: Briefing, shown: Sequence[tuple[int, PngPicture]], calendar: bytes, templates: Templates
) -> MailParts:
    links, files = [], []
    for index, each in shown:
        content_id = f"{briefing.message_id}.{index}.{each.picture.name}@duskbell"
        links.append(_link(each.picture, f"cid:{content_id}", index))
        files.append(Attachment(f"{each.picture.name}-{index + 1}.png", "image/png", each.png, content_id))
    if calendar:
        files.append(Attachment(CALENDAR_NAME, CALENDAR_TYPE, calendar))
    mail = render_mail(briefing, links, templates)
    return MailParts(mail.subject, mail.text, mail.html, tuple(files), mail.problems)


def _wire_bytes(mail: MailParts) -> int:
    """About what the mail takes on its way: words quoted-printable, files in base64 (RFC 2045, 6.7, 6.8)."""
    words = sum(len(b2a_qp(text.encode())) for text in (mail.text, mail.html))
    files = sum(-(-len(file.content) // 57) * 78 for file in mail.attachments)
    return words + files + HEADERS_BYTES


def page_with_pictures(briefing: Briefing, pictures: Mapping[int, Sequence[Picture]]) -> str:
    """One HTML page that needs nothing else: the mail's HTML with its pictures inside; prints on a sheet."""
    links = [_link(picture, data_address(picture), k) for k, drawn in pictures.items() for picture in drawn]
    return render_mail(briefing, links).html


def data_address(picture: Picture) -> str:
    """The drawing as an address that holds it (RFC 2397)."""
    return f"data:image/svg+xml;base64,{b64encode(picture.svg.encode()).decode('ascii')}"


def _link(picture: Picture, src: str, index: int) -> PictureLink:
    return PictureLink(src, picture.alt, picture.width_px, picture.height_px, index)
