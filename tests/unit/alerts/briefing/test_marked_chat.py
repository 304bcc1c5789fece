"""The chat message in light markup, read back by a CommonMark parser."""

from __future__ import annotations

from dataclasses import replace

import pytest
from markdown_it import MarkdownIt
from markdown_it.token import Token

from alerts.briefing.facts.alert import AlertFacts
from alerts.briefing.render import render_chat, render_marked_chat
from tests.unit.alerts.briefing.briefing_samples import GO, KINDS, STAND_DOWN, briefing
from tests.unit.alerts.briefing.test_hostile_names import HOSTILE

PARSER = MarkdownIt("commonmark")


def tokens_of(text: str) -> list[Token]:
    return [inner for token in PARSER.parse(text) for inner in (token.children or [token])]


def words_of(text: str) -> str:
    """What a reader sees: text and line breaks."""
    shown = {"text": None, "text_special": None, "hardbreak": "\n", "softbreak": "\n"}
    return "".join(
        token.content if shown[token.type] is None else str(shown[token.type])
        for token in tokens_of(text)
        if token.type in shown
    )


@pytest.mark.parametrize("facts", KINDS.values(), ids=KINDS)
def test_it_says_what_the_plain_message_says(facts: AlertFacts) -> None:
    message = briefing(facts)
    assert words_of(render_marked_chat(message)) == render_chat(message)


def test_first_line_and_labels_are_bold() -> None:
    lines = render_marked_chat(briefing(GO)).splitlines()
    assert lines[0].strip() == "**Go tonight: Windpump Flat, leave by 19:40**"
    assert any(line.startswith("**Leave by:** Sat 18 July, 19:40 CEST") for line in lines)
    assert len(lines) <= 10


@pytest.mark.parametrize(
    "name", [*HOSTILE.values(), "1. first", "- dash", "# head", "a*b*c_d_", "~~x~~", "> q"]
)
def test_a_name_marks_nothing(name: str) -> None:
    facts = (replace(GO, site_name=name), replace(STAND_DOWN, site_name=name, cause=name))
    marked = render_marked_chat(briefing(*facts))
    assert {token.type for token in tokens_of(marked)} <= {
        "paragraph_open", "paragraph_close", "text", "text_special", "strong_open", "strong_close",
        "hardbreak", "softbreak",
    }  # fmt: skip
    assert words_of(marked) == render_chat(briefing(*facts))
