"""A whole briefing: pictures drawn, mail with pictures and calendar, or one page that holds everything."""

from __future__ import annotations

from base64 import b64encode
from binascii import b2a_qp
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from alerts.briefing.facts.alert import Attachment, Briefing, MailParts
from alerts.briefing.pictures.drawing import LIGHT, NARROW, Palette, Picture
from alerts.briefing.pictures.frame_picture import draw_panorama, draw_view
from alerts.briefing.pictures.frame_scene import view_scene
from alerts.briefing.pictures.night_picture import draw_night
from alerts.briefing.pictures.night_scene import NightToDraw, night_scene
from alerts.briefing.render import BUILT_IN, Templates, render_mail
from alerts.common.units import Units
from alerts.sky.ephemeris import Ephemeris

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
    night: NightToDraw,
    ephemeris: Ephemeris,
    palette: Palette = LIGHT,
    *,
    width: int = NARROW,
    units: Units = Units.METRIC,
) -> tuple[Picture, ...]:
    """The night, and with notes for the field the view through the lens and for an arch the panorama."""
    pictures = [draw_night(night_scene(night, ephemeris, units.clock_hours), palette, width=width)]
    if night.window is not None and night.notes is not None:
        view = view_scene(night, ephemeris, units)
        pictures.append(draw_view(view, palette, width=width))
        if view.panorama is not None:
            pictures.append(draw_panorama(view, palette, width=width))
    return tuple(pictures)


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
    while True:
        links, files = [], []
        for index, each in shown:
            name, content_id = (
                each.picture.name,
                f"{briefing.message_id}.{index}.{each.picture.name}@duskbell",
            )
            links.append(each.picture.link(f"cid:{content_id}", index))
            files.append(Attachment(f"{name}-{index + 1}.png", "image/png", each.png, content_id))
        if calendar:
            files.append(Attachment(CALENDAR_NAME, CALENDAR_TYPE, calendar))
        mail = replace(render_mail(briefing, links, templates), attachments=tuple(files))
        # about what it takes on its way: words quoted-printable, files in base64 (RFC 2045, 6.7, 6.8)
        words = sum(len(b2a_qp(text.encode())) for text in (mail.text, mail.html))
        enclosed = sum(-(-len(file.content) // 57) * 78 for file in files)
        if not shown or words + enclosed + HEADERS_BYTES <= LARGEST_MAIL_BYTES:
            return mail
        shown.pop()


def page_with_pictures(briefing: Briefing, pictures: Mapping[int, Sequence[Picture]]) -> str:
    """One HTML page that needs nothing else: the mail's HTML with its pictures inside; prints on a sheet."""
    links = [each.link(data_address(each), index) for index, drawn in pictures.items() for each in drawn]
    return render_mail(briefing, links).html


def data_address(picture: Picture) -> str:
    """The drawing as an address that holds it (RFC 2397)."""
    return f"data:image/svg+xml;base64,{b64encode(picture.svg.encode()).decode('ascii')}"
