"""Pictures as PNG and in a mail: the packaged font, sizes, the mail's parts."""

from __future__ import annotations

import struct
from dataclasses import replace
from email import message_from_bytes
from email.policy import default
from functools import cache

import html5lib  # type: ignore[import-untyped]
import pytest
from fontTools.ttLib import TTFont  # type: ignore[import-untyped]

from alerts.briefing.calendar import CalendarEntry, build_calendar
from alerts.briefing.facts import AlertFacts
from alerts.briefing.pictures import drawing
from alerts.briefing.pictures.drawing import Picture, text_width
from alerts.briefing.render import PngPicture, mail_with_pictures, page_with_pictures
from alerts.notifying.model import AlertKind
from service.delivery.enclosures import SCALE, font_files, render_png, with_file
from tests.unit.alerts.briefing.briefing_samples import GO, KINDS, STAND_DOWN, briefing
from tests.unit.alerts.briefing.drawn_samples import pictures_of, renamed, season_picture
from tests.unit.alerts.briefing.sample_nights import facts_of
from tests.unit.alerts.briefing.test_hostile_names import HOSTILE

MAIL_LIMIT_BYTES = 200_000


def size_of(png: bytes) -> tuple[int, int]:
    """Width and height from the IHDR chunk. PNG (ISO/IEC 15948), 11.2.2."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    return struct.unpack(">II", png[16:24])


@pytest.mark.parametrize("scale", [1, 2])
def test_a_png_is_as_large_as_asked(scale: int) -> None:
    picture = season_picture()
    width, height = size_of(render_png(picture, scale=scale))
    assert width == picture.width_px * scale
    assert abs(height - picture.height_px * scale) <= scale


def test_the_packaged_font_holds_all_that_counts_as_drawable() -> None:
    for path in font_files():
        held = set(TTFont(path).getBestCmap())
        for first, last in drawing.DRAWABLE:
            missing = [code for code in range(first, last + 1) if code not in held]
            assert len(missing) <= (last - first) // 8, (path, [hex(code) for code in missing])


def test_widths_are_the_fonts_own() -> None:
    regular, bold = (TTFont(path) for path in font_files())
    for font, is_bold in ((regular, False), (bold, True)):
        advances, glyphs = font["hmtx"], font.getBestCmap()
        for words in ("Wednesday night, 15 July", "window 23:32 – 03:10", "core, 19° up"):
            exact = sum(advances[glyphs[ord(char)]][0] for char in words) / font["head"].unitsPerEm * 12
            assert text_width(words, 12, bold=is_bold) == pytest.approx(exact, rel=0.04)


def test_the_drawing_does_not_depend_on_the_machines_fonts() -> None:
    """Letters are drawn: without the packaged font this text would leave nothing."""
    words = '<text x="4" y="20" font-size="16" font-family="DejaVu Sans">Ägäis Скала</text>'
    svg = '<svg xmlns="http://www.w3.org/2000/svg" width="120" height="30">{}</svg>'
    drawn, empty = (render_png(Picture("x", svg.format(text), "", 120, 30)) for text in (words, ""))
    assert len(drawn) > len(empty) + 500


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_any_name_gives_a_file(text: str) -> None:
    for picture in renamed("july", text):
        assert size_of(render_png(picture))[0] == round(picture.width_px * SCALE)


@cache
def files_of(name: str) -> tuple[PngPicture, ...]:
    """The pictures of a sample night with their files."""
    return tuple(map(with_file, pictures_of(name).values()))


def whole_mail(facts: AlertFacts, name: str) -> bytes:
    """As a mail program sends it: text and HTML, pictures beside the HTML, the calendar attached."""
    from email.message import EmailMessage

    calendar = build_calendar([CalendarEntry(facts=facts, key="x", sequence=0)], stamped_at=facts.decided_at)
    parts = mail_with_pictures(briefing(facts), {0: files_of(name)}, calendar=calendar)
    mail = EmailMessage()
    mail["Subject"] = parts.subject
    mail.set_content(parts.text)
    mail.add_alternative(parts.html, subtype="html")
    for file in parts.attachments:
        main, sub = file.media_type.split("/")
        if file.content_id:
            mail.get_payload()[1].add_related(file.content, main, sub, cid=f"<{file.content_id}>")  # type: ignore[index, union-attr]
        else:
            mail.add_attachment(file.content, main, sub, filename=file.name)
    return mail.as_bytes()


@pytest.mark.parametrize("name", ["spring-arch", "july", "september-column", "southern-winter"])
def test_a_mail_with_pictures_and_calendar_stays_small_and_whole(name: str) -> None:
    raw = whole_mail(facts_of(name, AlertKind.GO), name)
    assert len(raw) < MAIL_LIMIT_BYTES
    mail = message_from_bytes(raw, policy=default)
    html = mail.get_body(("html",)).get_content()  # type: ignore[union-attr]
    cids = {str(part["Content-ID"]).strip("<>") for part in mail.walk() if part["Content-ID"]}
    assert cids
    for cid in cids:
        assert f'src="cid:{cid}"' in html
    assert "text/calendar" in {part.get_content_type() for part in mail.walk()}


def test_the_html_says_it_all_without_pictures_too() -> None:
    facts, files = facts_of("july", AlertKind.GO), files_of("july")
    with_pictures = mail_with_pictures(briefing(facts), {0: files})
    assert with_pictures.text == mail_with_pictures(briefing(facts), {}).text
    for file in files:
        assert file.picture.alt in with_pictures.html


def test_a_mail_that_would_be_too_large_leaves_out_its_last_pictures() -> None:
    facts, files = facts_of("spring-arch", AlertKind.GO), files_of("spring-arch")
    heavy = [replace(file, png=file.png.ljust(55_000, b"\0")) for file in files]
    mail = mail_with_pictures(briefing(facts), {0: heavy})
    assert [attachment.name for attachment in mail.attachments] == ["night-1.png", "view-1.png"]
    assert mail.html.count("<img") == 2


def test_pictures_stand_with_their_own_site() -> None:
    """The stand-down comes first whatever the order of the alerts."""
    html = mail_with_pictures(briefing(GO, STAND_DOWN), {0: files_of("july")[:1]}).html
    assert html.index("Stand down</p>") < html.index("Go</p>") < html.index("<img")


@pytest.mark.parametrize("facts", KINDS.values(), ids=KINDS)
def test_mail_html_is_valid(facts: AlertFacts) -> None:
    html5lib.HTMLParser(strict=True).parse(page_with_pictures(briefing(facts), {}))


def test_a_page_holds_everything_itself_and_is_valid() -> None:
    page = page_with_pictures(
        briefing(facts_of("spring-arch", AlertKind.GO)), {0: tuple(pictures_of("spring-arch").values())}
    )
    html5lib.HTMLParser(strict=True).parse(page)
    assert page.count('src="data:image/svg+xml;base64,') == 3
    assert "cid:" not in page
