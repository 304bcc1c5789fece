"""What a chance is of, in words and as JSON values: the same in a mail, on a page and in the terminal."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from alerts.briefing.render import render_mail
from alerts.briefing.text.alert_lines import event_of, event_told, event_values, say_chance, say_event
from alerts.common.clock_times import clock_in
from alerts.common.phrases import kept
from alerts.common.span import Span
from alerts.notifying.model import AlertKind
from alerts.sites.model import Site
from service.reports.weather_page import chance_lines
from tests.unit.alerts.briefing.briefing_samples import GO, briefing, chat_text, july
from tests.unit.alerts.briefing.sample_nights import facts_of
from tests.unit.alerts.judging.values import outlook

NIGHT = date(2026, 7, 18)
SITE = Site("Windpump Flat", 40.31, -1.42, 1180.0, "Europe/Madrid")
WINDOW = Span(july(18, 21, 22), july(19, 2, 23))  # 23:22 to 04:23 CEST
BEST = Span(july(19, 0, 30), july(19, 1, 30))
HOUR = timedelta(hours=1)
NOON = july(18, 10)
SEEN = outlook(73, WINDOW, best=BEST, spread_pct=(45, 90))


@pytest.mark.parametrize(
    ("changes", "shortest", "now", "said"),
    [
        pytest.param(
            {}, HOUR, NOON, "at least one clear hour between 23:22 and 04:23, most likely 02:30 to 03:30",
            id="to come",
        ),
        pytest.param(
            {"best": None}, timedelta(minutes=90), NOON, "at least 90 clear minutes between 23:22 and 04:23",
            id="nobody says where",
        ),
        pytest.param(
            {"best": WINDOW}, timedelta(hours=5), NOON, "at least five clear hours between 23:22 and 04:23",
            id="the window leaves no choice",
        ),
        pytest.param(
            {"whole_pct": 88}, HOUR, july(18, 23),
            "at least one clear hour between now and 04:23, most likely 02:30 to 03:30 "
            "(88 % of the whole window, with what has passed)",
            id="begun",
        ),
        pytest.param(
            {}, HOUR, july(19, 2),
            "at least one clear hour between 23:22 and 04:23, most likely 02:30 to 03:30", id="all but over",
        ),
        pytest.param(
            {"window": Span(july(18, 23), july(19, 2)), "best": None}, HOUR, NOON,
            "at least one clear hour between 01:00 and 04:00 on Sunday 19 July", id="after midnight",
        ),
    ],
)  # fmt: skip
def test_the_event_is_said_with_its_span_and_its_likeliest_stretch(changes, shortest, now, said):
    event = event_of(replace(SEEN, **changes), shortest, now)
    assert event is not None
    clock = clock_in("Europe/Madrid", [event.span.start, event.span.end])
    assert say_event(event, clock, NIGHT) == said


def test_a_chance_that_nobody_knows_is_of_nothing():
    unknown = replace(SEEN, chance_pct=None)
    assert event_of(unknown, HOUR, NOON) is None
    assert event_of(None, HOUR, NOON) is None
    assert event_values(None) is None
    assert say_chance(unknown, SITE, shortest=HOUR, now=NOON, night_name=NIGHT) == ""
    assert event_told(replace(GO, chance_pct=None)) is None


def test_the_values_hold_the_same_as_the_words():
    assert event_values(event_of(replace(SEEN, whole_pct=88), HOUR, july(18, 23))) == {
        "shortest_minutes": 60,
        "from": "2026-07-18T23:00:00Z",
        "to": "2026-07-19T02:23:00Z",
        "most_likely": {"start": "2026-07-19T00:30:00Z", "end": "2026-07-19T01:30:00Z"},
        "whole_pct": 88,
    }


def test_terminal_mail_and_chat_say_it_in_the_same_words():
    facts = facts_of("july", AlertKind.GO)
    message = briefing(facts)
    event = event_told(facts)
    assert event is not None
    said = f"{facts.chance_pct} %: {say_event(event, clock_in(facts.zone, [event.span.start]), facts.night)}"
    assert said in render_mail(message).text
    assert said in chat_text(message)
    seen = replace(SEEN, window=facts.window, best=facts.best, chance_pct=facts.chance_pct)
    site = replace(SITE, zone=facts.zone)
    line = say_chance(
        seen, site, shortest=facts.shortest_window, now=facts.decided_at, night_name=facts.night
    )
    assert line == said


def test_each_figure_beside_the_chance_says_what_it_counts():
    seen = replace(SEEN, change_pct=-4, overhead_pct=80, sight_text=kept("cloud low in the south"))
    lines = list(chance_lines(seen, SITE, shortest=HOUR, now=NOON, night_name=NIGHT))
    assert lines[1:] == [
        "each source alone 45 to 90 % for the same",
        "since the last runs −4 points of chance",
        "80 % if the sky all round were as it is overhead: cloud low in the south",
    ]
