"""Rows 59, 61, 62 and 65: what people type or bring is shown, exported and read, and does nothing.

Pages are read by html5lib, as a browser does; a cell by the csv module, as a spreadsheet would; the feeds by
parsers of their own.
"""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterator
from xml.etree import ElementTree as ET

import html5lib
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from icalendar import Calendar
from sqlalchemy import update
from starlette.testclient import TestClient

from alerts.common.errors import BadInput
from alerts.sites.model import LONGEST_NAME, clean_name
from service.hindsight.track_record import safe_cell
from service.store.schema.core_tables import SiteRevisionRow, SiteRow
from service.web.middleware import BODY_BYTES, UPLOAD_BYTES
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, World
from tests.integration.web.browsing import browsing, owner_browsing
from tests.integration.web.test_feeds import addresses

HTML = '"><img src=x onerror=alert(1)><script>alert(2)</script>'
RAW = "=cmd|' /C calc'!A1 \x0b\x1b \u202eevil\x00"
"""What a name could be in rows that an older version, or another hand, has written."""
XML_BOMB = (
    b'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>'
    b'<gpx><wpt lat="1" lon="2"><name>&b;</name></wpt></gpx>'
)
XXE = (
    b'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a SYSTEM "file:///etc/hostname">]>'
    b'<gpx><wpt lat="1" lon="2"><name>&a;</name></wpt></gpx>'
)


@pytest.fixture
def owner_of(world: World) -> Iterator[TestClient]:
    """The operator's browser after a go for a site with a hostile name."""
    rename(world, HTML)
    for now in (START, ON_THE_DAY, GO_TIME):
        world.cycle(now)
    with owner_browsing(world, shown_at=GO_TIME) as browser:
        yield browser


def rename(world: World, name: str) -> None:
    with world.duskbell.sessions.begin() as session:
        session.execute(update(SiteRow).values(name=name))
        for row in session.query(SiteRevisionRow):
            row.facts = {**row.facts, "site": {**row.facts["site"], "name": name}}


def elements(page: str) -> list[ET.Element]:
    return list(html5lib.parse(page, namespaceHTMLElements=False).iter())


def assert_harmless(page: str) -> None:
    for element in elements(page):
        assert element.tag != "script" or element.get("src"), "a script of somebody else's"
        assert not [name for name in element.attrib if name.startswith("on")]
        assert element.get("src") != "x"
    assert "alert(2)" not in "".join(each.text or "" for each in elements(page) if each.tag == "script")


PAGES = (
    "/", "/me", "/sites/1", "/sites/1/edit", "/sites/1/subscribe", "/sites/1/season", "/sites/1/compare",
    "/sites/1/nights/2027-07-03", "/operator", "/operator/messages", "/operator/decisions",
    "/operator/people", "/feeds",
)  # fmt: skip


def test_row_59_a_name_of_markup_is_text_on_every_page(owner_of: TestClient) -> None:
    shown = set()
    for path in PAGES:
        answer = owner_of.get(path)
        if answer.status_code == 404:
            continue
        assert answer.status_code == 200, path
        assert_harmless(answer.text)
        policy = answer.headers["content-security-policy"]
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        if HTML in "".join(html5lib.parse(answer.text, namespaceHTMLElements=False).itertext()):
            shown.add(path)
    assert {"/", "/sites/1", "/sites/1/nights/2027-07-03", "/operator/decisions"} <= shown


def test_row_59_a_name_of_markup_is_text_in_the_mail(owner_of: TestClient, world: World) -> None:
    mail = world.box.mails[-1][1]
    body = mail.get_body(("html",))
    assert body is not None
    assert_harmless(body.get_content())
    assert HTML in "".join(html5lib.parse(body.get_content(), namespaceHTMLElements=False).itertext())


def test_row_61_stored_control_characters_break_no_feed(world: World) -> None:
    for now in (START, ON_THE_DAY, GO_TIME):
        world.cycle(now)
    rename(world, RAW if world.duskbell.engine.dialect.name == "sqlite" else RAW.replace("\x00", ""))
    with owner_browsing(world, shown_at=GO_TIME) as browser:
        found = addresses(browser)
        ET.fromstring(browser.get(found["atom"]).content)
        events = list(Calendar.from_ical(browser.get(found["ics"]).content).walk("VEVENT"))
        assert events
        for text in (browser.get(found["ics"]).text, browser.get(found["atom"]).text):
            assert not {"\x00", "\x0b", "\x1b", "\u202e"} & set(text)
        browser.get(found["geojson"]).json()


@pytest.mark.parametrize("start", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_row_61_a_text_that_begins_like_a_formula_is_a_text_in_a_table(start: str) -> None:
    out = io.StringIO()
    csv.writer(out).writerow([safe_cell(start), safe_cell(-1.5), safe_cell("Field")])
    cells = next(csv.reader(io.StringIO(out.getvalue(), newline="")))
    assert cells == ["'" + start, "-1.5", "Field"]


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=200))
@example("\u202eevil")
@example("a\u200bb")
@example("e\u0301")
@example("x" * 10_000)
@example("👩\u200d🚀")
def test_row_62_a_name_is_visible_text_of_80_characters_or_refused(raw: str) -> None:
    try:
        name = clean_name(raw)
    except BadInput:
        return
    assert 0 < len(name) <= LONGEST_NAME
    assert name == unicodedata.normalize("NFC", name).strip()
    kinds = {unicodedata.category(char) for char in name if char != "\u200d"}
    assert not kinds & {"Cc", "Cf", "Cs", "Zl", "Zp"}


def test_row_62_the_page_says_what_is_wrong_with_a_name(world: World) -> None:
    with owner_browsing(world, shown_at=GO_TIME) as browser:
        answer = browser.post("/sites/new", data={"name": "evil\u202etxt", "at": "41, -1", "do": "save"})
    assert answer.status_code == 400
    assert "invisible characters" in answer.text


@pytest.mark.parametrize(
    ("content", "status", "said"),
    [
        pytest.param(XML_BOMB, 400, "entities", id="entity_bomb"),
        pytest.param(XXE, 400, "entities", id="entity_from_a_file"),
        pytest.param(b"[" * 100_000 + b"]" * 100_000, 400, "nested too deeply", id="deep_json"),
        pytest.param(b"<gpx>" + b" " * UPLOAD_BYTES, 413, "more than this page takes", id="too_large"),
    ],
)
def test_row_65_a_file_that_would_blow_up_is_refused(
    content: bytes, status: int, said: str, world: World
) -> None:
    with owner_browsing(world, shown_at=GO_TIME) as browser:
        answer = browser.post("/sites/import", files={"file": ("places", content)})
    assert (answer.status_code, said in answer.text) == (status, True)


def test_row_65_a_body_without_a_length_is_counted_as_it_comes(world: World) -> None:
    sent = 0

    def endless() -> Iterator[bytes]:
        nonlocal sent
        while sent < 50 * BODY_BYTES:
            sent += 16_384
            yield b"a=" + b"x" * 16_382

    with browsing(world, shown_at=GO_TIME) as browser:
        form = {"Content-Type": "application/x-www-form-urlencoded"}
        answer = browser.post("/sign-in", content=endless(), headers=form)
    assert answer.status_code == 413


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(content=st.binary(max_size=400))
def test_row_65_no_bytes_at_all_make_a_page_fail(content: bytes, played: TestClient) -> None:
    assert played.post("/sites/import", files={"file": ("places", content)}).status_code in (200, 400)
