"""A briefing made into a mail and into a chat message; the neutral payload is in payload.py.

Templates lie in `templates/`: for each kind of alert a subject, a first line, a text and an HTML part,
and one frame round them. A subject template writes several lines, the richest first; the first that
fits is taken. Jinja2 stops at anything undefined, and escapes everything in HTML.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import css_inline
from jinja2 import Environment, PackageLoader, StrictUndefined

from alerts.briefing.cautions import CHAT_CAUTION, TURN_ROUND, cautions_for
from alerts.briefing.facts import AlertFacts, AlertKind, Briefing, MailParts, PictureLink
from alerts.briefing.payload import payload_values
from alerts.briefing.view import AlertView, credits_of, view_alert, web_address
from alerts.briefing.wording import capital, sentence, shorten, unmentioned

LONGEST_SUBJECT = 60
SHORTEST_NAME = 12
TELLING_NAME = 20
CHAT_LINES = 10
CHAT_LINE_CHARS = 300
INVENTED_MARK = "[Invented] "

__all__ = ["build_payload", "first_line", "ranked", "render_chat", "render_mail", "render_subject"]


def render_mail(briefing: Briefing, pictures: Sequence[PictureLink] = ()) -> MailParts:
    """Subject (at most 60 characters), plain text and HTML with its styles inlined.

    pictures: shown in the HTML below the alert that they belong to; all it says is said without them.
    """
    values = _message_values(briefing, pictures)
    text = _templates(html=False).get_template("message.txt.j2").render(values)
    html = _templates(html=True).get_template("message.html.j2").render(values)
    return MailParts(render_subject(briefing), text, _inliner().inline(html))


def build_payload(briefing: Briefing) -> dict[str, object]:
    """The neutral JSON of a webhook, described in payload.py; at most 20 kB."""
    alerts = ranked(briefing)
    return payload_values(
        alerts,
        message_id=briefing.message_id,
        units=briefing.units.value,
        subject=render_subject(briefing),
        text=render_chat(briefing),
        cautions=cautions_for(alerts),
    )


def render_chat(briefing: Briefing) -> str:
    """Plain text for a group's chat: a short first line, at most ten lines, nobody called by it.

    No personal links: what manages one person's messages has no place in a group.
    """
    alerts = ranked(briefing)
    values = {
        "subject": unmentioned(render_subject(briefing)),
        "views": [_with_line(_unmentioned(view_alert(facts, briefing.units))) for facts in alerts],
        "credits": [unmentioned(credit.text) for credit in credits_of(alerts)],
        "caution": CHAT_CAUTION,
        "turn_round": TURN_ROUND,
    }
    rendered = _templates(html=False).get_template("chat.txt.j2").render(values)
    lines = [shorten(line.strip(), CHAT_LINE_CHARS) for line in rendered.splitlines() if line.strip()]
    return "\n".join(lines[:CHAT_LINES])


def render_subject(briefing: Briefing) -> str:
    """The whole story in 60 characters; a long site name is shortened before anything else is."""
    alerts = ranked(briefing)
    mark = INVENTED_MARK if briefing.is_invented else ""
    room = LONGEST_SUBJECT - len(mark)
    lead = view_alert(alerts[0], briefing.units)
    others = [view_alert(facts, briefing.units) for facts in alerts[1:]]
    for candidate in _subjects(lead, others):
        if len(candidate) <= room:
            return mark + candidate
    return mark + _with_short_name(lead, others, room)


def _with_short_name(lead: AlertView, others: list[AlertView], room: int) -> str:
    """The richest subject that leaves 20 characters for the name, else the plainest."""
    spare = [room - len(line) + 1 for line in _subjects(replace(lead, name="x"), others)]
    chosen = next((i for i, chars in enumerate(spare) if chars >= TELLING_NAME), len(spare) - 1)
    name = shorten(lead.name, max(SHORTEST_NAME, spare[chosen]))
    return _subjects(replace(lead, name=name), others)[chosen]


def ranked(briefing: Briefing) -> tuple[AlertFacts, ...]:
    """The alerts as they are shown: best first, but before all else what calls someone back."""
    return tuple(sorted(briefing.alerts, key=lambda facts: facts.kind is not AlertKind.STAND_DOWN))


def _subjects(lead: AlertView, others: list[AlertView]) -> list[str]:
    template = _templates(html=False).get_template(f"{lead.form}.subject.txt.j2")
    rendered = template.render(alert=lead, others=others)
    return [line.strip() for line in rendered.splitlines() if line.strip()]


def _message_values(briefing: Briefing, pictures: Sequence[PictureLink]) -> dict[str, object]:
    alerts = ranked(briefing)
    shown = [[link for link in pictures if briefing.alerts[link.alert] is facts] for facts in alerts]
    return {
        "subject": render_subject(briefing),
        "views": [
            {**_with_line(view_alert(facts, briefing.units)), "pictures": links}
            for facts, links in zip(alerts, shown, strict=True)
        ],
        "invented": briefing.is_invented,
        "cautions": cautions_for(alerts),
        "turn_round": TURN_ROUND,
        "credits": credits_of(alerts),
        "manage_url": web_address(briefing.manage_url),
        "unsubscribe_url": web_address(briefing.unsubscribe_url),
    }


def first_line(facts: AlertFacts) -> str:
    """The line that a message opens with."""
    return _line(view_alert(facts))


def _with_line(view: AlertView) -> dict[str, object]:
    """An alert's words and its first line."""
    return {"words": view, "line": _line(view)}


def _line(view: AlertView) -> str:
    line = _templates(html=False).get_template(f"{view.form}.line.txt.j2").render(alert=view)
    return " ".join(line.split())


def _unmentioned(view: AlertView) -> AlertView:
    """The words with every text that people wrote made harmless for a chat server."""
    return replace(
        view,
        name=unmentioned(view.name),
        core=unmentioned(view.core),
        moon=unmentioned(view.moon),
        agreement=unmentioned(view.agreement),
        cause=unmentioned(view.cause),
        rows=tuple(replace(row, value=unmentioned(row.value)) for row in view.rows),
        hazards=tuple(map(unmentioned, view.hazards)),
        reasons=tuple(map(unmentioned, view.reasons)),
    )


@cache
def _templates(*, html: bool) -> Environment:
    environment = Environment(
        loader=PackageLoader("alerts.briefing"),
        undefined=StrictUndefined,
        autoescape=html,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["capital"] = capital  # Jinja2's own would make the rest small
    environment.filters["sentence"] = sentence
    return environment


@cache
def _inliner() -> css_inline.CSSInliner:
    return css_inline.CSSInliner(keep_style_tags=True, load_remote_stylesheets=False)
