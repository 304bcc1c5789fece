"""A night that no forecast reaches yet is a plan; one without a window says what there is instead."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from alerts.briefing.facts import Ahead, AlertFacts, Briefing, Instead
from alerts.briefing.payload import build_payload
from alerts.briefing.render import line_of, render_mail
from alerts.briefing.text.alert_view import view_alert
from alerts.common.span import Span
from alerts.judging.verdict import VerdictWord
from tests.unit.alerts.briefing.briefing_samples import chat_text, july
from tests.unit.alerts.briefing.sample_nights import preview_of

DECIDED = datetime(2026, 6, 25, 14, 5, tzinfo=UTC)
NO_WORD = "no usable cloud forecast"
EARLY = replace(
    preview_of("july", VerdictWord.UNKNOWN, NO_WORD, ahead=Ahead(first_look=date(2026, 7, 1))),
    decided_at=DECIDED,
)
BAND = Instead("band", "the Milky Way's band", Span(july(18, 20, 30), july(19, 1, 10)))
BARE = preview_of(
    "polar-summer",
    VerdictWord.STAY,
    "the core stays down",
    ahead=Ahead(next_window=date(2027, 2, 12), instead=(BAND,)),
)


def message(facts: AlertFacts) -> Briefing:
    return Briefing(message_id="msg_0123456789abcdefghjkmnpqrs", alerts=(facts,))


def test_row_221_too_early_is_said_with_the_first_look_and_no_list_of_what_nobody_knows():
    mail = render_mail(message(EARLY))
    assert mail.subject == "Too early for weather: Windpump Flat, Wednesday 15 July"
    assert mail.text.startswith(
        "Too early for weather; first look Wed 1 July. The sky itself: dark, no Moon,"
    )
    assert "We can't say" not in mail.text
    assert "unknown" not in mail.text
    assert NO_WORD not in mail.text
    assert "No forecast was used." in mail.text
    assert "Too early for weather; first look Wed 1 July." in chat_text(message(EARLY))


@pytest.mark.parametrize("part", ["The evening", "Camera", "On the spot", "To pack", "Before it gets dark"])
@pytest.mark.parametrize(
    "facts",
    [
        EARLY,
        preview_of("july", VerdictWord.WAIT, "", chance_pct=60),
        preview_of("july", VerdictWord.UNKNOWN, "x"),
    ],
    ids=["early", "wait", "unknown"],
)
def test_camera_kit_and_plan_need_no_weather(facts: AlertFacts, part: str):
    mail = render_mail(message(facts))
    assert f"\n{part}\n" in mail.text
    assert part in mail.html


def test_a_night_to_stay_home_has_no_plan():
    assert "The evening" not in render_mail(message(preview_of("july", VerdictWord.STAY, "gusts"))).text


def test_a_first_look_in_another_year_says_which():
    late = replace(EARLY, first_look=date(2027, 7, 1))
    assert "first look Thu 1 July 2027." in line_of(view_alert(late))


def test_a_bare_night_names_the_next_window_and_the_other_targets():
    line = line_of(view_alert(BARE))
    assert "Next dark window here: Friday 12 February 2027." in line
    assert "Other targets that night: the Milky Way's band " in line
    assert "(4 h 40 min)" in line


def test_the_payload_has_both_as_values():
    early = build_payload(message(EARLY))["data"]["alerts"][0]
    assert (early["first_look"], early["other_targets"], early["next_window"]) == ("2026-07-01", [], None)
    assert early["hazards"] == []
    bare = build_payload(message(BARE))["data"]["alerts"][0]
    assert bare["next_window"] == "2027-02-12"
    assert bare["other_targets"] == [
        {"target": "band", "start": "2026-07-18T20:30:00Z", "end": "2026-07-19T01:10:00Z"}
    ]
    assert BAND.span.duration == timedelta(hours=4, minutes=40)
