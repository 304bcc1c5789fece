"""Names and texts that try to be more than text."""

from __future__ import annotations

import json
import re
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.briefing.facts import AlertFacts, DrawnDome, FieldNotes, SkyNote
from alerts.briefing.payload import build_payload
from alerts.briefing.render import render_mail
from alerts.common.text import BREAK, plain, shorten, unmentioned
from alerts.notifying.model import AlertKind
from tests.unit.alerts.briefing.briefing_samples import GO, KINDS, briefing, chat_text
from tests.unit.alerts.briefing.sample_nights import facts_of
from tests.unit.alerts.briefing.test_messages import Page

HOSTILE = {
    "script": "<script>alert(1)</script>",
    "attribute": '" onmouseover="alert(1)',
    "closing style": "</style><img src=x onerror=alert(1)>",
    "entity": "&lt;b&gt; &amp; &#60;i&#62;",
    "template": "{{ 7 * 7 }}{% for x in y %}",
    "header": "Flat\r\nBcc: eve@example.net",
    "NUL and bell": "Fl\x00at\x07",
    "right to left": "Flat \u202egnp.exe",
    "line separator": "Flat\u2028second",
    "invisible": "Fl\u200bat\ufeff",
    "emoji": "Flat 🏜️ 👩‍🚀",
    "ten kilobytes": "Flat " * 2048,
    "combining": "Z" + "\u0301" * 500,
}


def spoil(facts: AlertFacts, text: str) -> AlertFacts:
    """The alert with that text in every place that people or feeds write into."""
    return replace(
        facts,
        site_name=text,
        agreement=text,
        moon=text,
        cause=text,
        target_name=text,
        reasons=(text,),
        hazards=(text,),
        attributions=tuple(replace(credit, text=text) for credit in facts.attributions),
        access_note=text,
        sight=text,
        record=text,
        sky=spoiled_sky(text),
        field=facts.field and spoiled_notes(facts.field, text),
    )


def spoiled_sky(text: str) -> SkyNote:
    """Towns and targets are named by data and by people."""
    return SkyNote(
        subject=text,
        mag_arcsec2=21.0,
        loss_mag=0.2,
        dimmed_mag=0.6,
        smoke_mag=0.3,
        towns=(DrawnDome(81.0, 27.0, name=text, under_target=True),),
        inside=text,
    )


def spoiled_notes(notes: FieldNotes, text: str) -> FieldNotes:
    """The notes for the field with that name for every foreground, the target and the kit."""
    return replace(
        notes,
        subject=text,
        start=text,
        kit=replace(notes.kit, camera=replace(notes.kit.camera, name=text)),
        standings=tuple(replace(each, foreground=text) for each in notes.standings),
        frames=replace(notes.frames, over=text),
    )


EVERY = {**KINDS, "go with a field plan": facts_of("july", AlertKind.GO)}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
@pytest.mark.parametrize("facts", EVERY.values(), ids=EVERY)
def test_hostile_text_is_shown_and_does_nothing(facts: AlertFacts, text: str) -> None:
    clean, spoiled = Page(render_mail(briefing(spoil(facts, "Flat"))).html), spoil(facts, text)
    mail = render_mail(briefing(spoiled))
    page = Page(mail.html)
    assert tags_and_attributes(page) == tags_and_attributes(clean)
    assert plain(text, 80) in " ".join(page.words)
    for line in (mail.subject, *mail.text.splitlines(), *chat_text(briefing(spoiled)).splitlines()):
        assert not [c for c in line if unicodedata.category(c) in {"Cc", "Zl", "Zp"}]
    assert "\u202e" not in mail.subject + mail.text + mail.html + chat_text(briefing(spoiled))
    assert len(mail.subject) <= 60


def tags_and_attributes(page: Page) -> list[tuple[str, list[str]]]:
    """The shape of a page: its tags, each with the names of its attributes, each kind once."""
    return sorted({(tag, tuple(sorted(attributes))) for tag, attributes in page.tags})  # type: ignore[arg-type]


def test_a_template_in_a_name_is_only_text() -> None:
    mail = render_mail(briefing(replace(GO, site_name="{{ 7 * 7 }}")))
    assert "{{ 7 * 7 }}" in mail.subject
    assert "49" not in mail.text.split("Before you go")[0]


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("@everyone", f"@{BREAK}everyone"),
        ("a @here b @channel", f"a @{BREAK}here b @{BREAK}channel"),
        ("<!channel>", f"<{BREAK}!channel>"),
        ("<@U123>", f"<{BREAK}@{BREAK}U123>"),
        ("[a](http://evil.example)", f"[a]{BREAK}(http:{BREAK}//evil.example)"),
        ("plain & simple", "plain & simple"),
    ],
)
def test_a_name_calls_nobody_in_a_group_chat(name: str, shown: str) -> None:
    assert unmentioned(name) == shown
    chat = chat_text(briefing(spoil(GO, name), replace(GO, site_name=name)))
    for call in ("@everyone", "@here", "@channel", "<!", "<@", "](", "http://"):
        assert call not in chat
    assert shown in chat.splitlines()[0]


def test_payload_carries_the_name_as_a_value() -> None:
    payload = build_payload(briefing(replace(GO, site_name='Fl"at\\ <b>\n@everyone')))
    again = json.loads(json.dumps(payload))
    assert again["data"]["alerts"][0]["site"]["name"] == 'Fl"at\\ <b> @everyone'


@pytest.mark.parametrize(
    ("text", "room", "expected"),
    [
        ("Windpump Flat", 13, "Windpump Flat"),
        ("Windpump Flat", 12, "Windpump Fl…"),
        ("Windpump Flat", 10, "Windpump…"),
        ("cafe\u0301s", 5, "caf…"),
        ("ab👩‍🚀", 4, "ab…"),
        ("abc", 1, "…"),
        ("abc", 0, ""),
    ],
)
def test_shortening_keeps_characters_whole(text: str, room: int, expected: str) -> None:
    assert shorten(text, room) == expected


@given(st.text(max_size=400))
@settings(max_examples=60, deadline=None)
def test_no_text_at_all_breaks_a_message(text: str) -> None:
    spoiled = briefing(spoil(GO, text), replace(GO, site_name=text))
    mail = render_mail(spoiled)
    assert len(mail.subject) <= 60
    assert len(chat_text(spoiled).splitlines()) <= 10
    assert re.search(r"[\r\n\x00]", mail.subject) is None
    assert len(json.dumps(build_payload(spoiled), ensure_ascii=False).encode()) <= 20_000
