"""An operator's own templates: used where they work, replaced and reported where they don't."""

from __future__ import annotations

import pytest

from alerts.briefing.render import Templates, render_mail
from tests.unit.alerts.briefing.briefing_samples import GO, briefing


def test_an_operators_template_is_used_before_the_built_in_one() -> None:
    own = Templates({"go.line.txt.j2": "Off you go to {{ alert.name }}: {{ alert.chance }}."})
    mail = render_mail(briefing(GO), templates=own)
    assert mail.text.splitlines()[0] == "Off you go to Windpump Flat: 81 %."
    assert "Off you go to Windpump Flat: 81 %." in mail.html
    assert mail.subject == "Go tonight: Windpump Flat, leave by 19:40"
    assert mail.problems == ()


@pytest.mark.parametrize(
    ("name", "source", "words"),
    [
        ("go.line.txt.j2", "{% if %}", "go.line.txt.j2, line 1"),
        ("go.line.txt.j2", "{{ alert.weather_in_words }}", "no attribute 'weather_in_words'"),
        ("go.line.txt.j2", "{{ 1 / 0 }}", "division by zero"),
        ("go.subject.txt.j2", "", "can't be used"),
        ("message.html.j2", "{% include 'nothing.j2' %}", "nothing.j2"),
        ("_alert.txt.j2", "{{ alert.rows + 1 }}", "can't be used"),
    ],
    ids=["syntax", "unknown name", "arithmetic", "empty subject", "missing include", "type"],
)
def test_a_broken_template_sends_the_built_in_message_and_tells_the_operator(
    name: str, source: str, words: str
) -> None:
    built_in = render_mail(briefing(GO))
    mail = render_mail(briefing(GO), templates=Templates({name: source}))
    assert (mail.subject, mail.text, mail.html) == (built_in.subject, built_in.text, built_in.html)
    assert len(mail.problems) == 1
    assert words in str(mail.problems[0])
    assert "built-in" in str(mail.problems[0])


def test_markup_in_an_operators_html_template_is_theirs_and_values_stay_escaped() -> None:
    own = Templates({"go.html.j2": "<h1>{{ view.words.name }}</h1>"})
    from dataclasses import replace

    mail = render_mail(briefing(replace(GO, site_name="<b>x</b>")), templates=own)
    assert "&lt;b&gt;x&lt;/b&gt;</h1>" in mail.html
