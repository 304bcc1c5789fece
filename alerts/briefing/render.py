"""A briefing made into a mail with its pictures and calendar, into one page that holds everything, and into a
chat message; the neutral payload is in payload.py.

Templates lie in `templates/`: for each kind of alert a subject, a first line, a text and an HTML part,
and one frame round them. A subject template writes several lines, the richest first; the first that
fits is taken. Jinja2 stops at anything undefined, and escapes everything in HTML.
"""

from __future__ import annotations

from base64 import b64encode
from binascii import b2a_qp
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache

import css_inline
from jinja2 import (
    ChoiceLoader,
    DictLoader,
    Environment,
    PackageLoader,
    StrictUndefined,
    TemplateError,
    TemplateSyntaxError,
)

from alerts.briefing.facts import AlertFacts, Attachment, Briefing, MailParts, PictureLink
from alerts.briefing.pictures.drawing import LIGHT, NARROW, Palette, Picture
from alerts.briefing.pictures.frame_picture import draw_panorama, draw_view, view_scene
from alerts.briefing.pictures.night_picture import NightToDraw, draw_night, night_scene
from alerts.briefing.text.alert_lines import CHAT_CAUTION, TURN_ROUND, cautions_for
from alerts.briefing.text.alert_view import AlertView, credits_of, view_alert, web_address
from alerts.common.phrases import phrase, say
from alerts.common.text import capital, sentence, shorten, unmentioned
from alerts.common.units import Units
from alerts.notifying.model import AlertKind
from alerts.sky.ephemeris import Ephemeris

LONGEST_SUBJECT = 60
SHORTEST_NAME = 12
TELLING_NAME = 20
CHAT_LINES = 10
CHAT_LINE_CHARS = 300
INVENTED_MARK = "[Invented] "
TEMPLATE_FAULTS = (TemplateError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError)
"""What a template can raise: its own errors, and those of the expressions in it."""
CALENDAR_NAME = "duskbell.ics"
CALENDAR_TYPE = "text/calendar"
LARGEST_MAIL_BYTES = 200_000
HEADERS_BYTES = 4_000
"""Those of the mail and of its parts."""


class Templates:
    """Renders by name, an operator's template before the built-in one of the same name.

    own: name (`go.line.txt.j2`) to source. Nothing is compiled before it is used. Text is escaped in
    HTML only; anything undefined is an error.
    """

    def __init__(self, own: Mapping[str, str] | None = None) -> None:
        self.own = dict(own or {})
        self._environments = {}
        for html in (False, True):
            environment = Environment(
                loader=ChoiceLoader([DictLoader(self.own), PackageLoader("alerts.briefing")]),
                undefined=StrictUndefined,
                autoescape=html,
                auto_reload=False,  # neither source changes while the process runs
                trim_blocks=True,
                lstrip_blocks=True,
            )
            environment.globals["say"] = say
            environment.filters["capital"] = capital  # Jinja2's own would make the rest small
            environment.filters["sentence"] = sentence
            environment.filters["unmentioned"] = unmentioned
            self._environments[html] = environment

    def render(self, name: str, values: Mapping[str, object], *, html: bool = False) -> str:
        """Raises one of TEMPLATE_FAULTS when a template is broken."""
        return self._environments[html].get_template(name).render(values)


BUILT_IN = Templates()


def render_mail(
    briefing: Briefing, pictures: Sequence[PictureLink] = (), templates: Templates = BUILT_IN
) -> MailParts:
    """Subject (at most 60 characters), plain text and HTML with its styles inlined.

    pictures: shown in the HTML below the alert that they belong to; all it says is said without them.
    templates: an operator's; where one breaks, all the built-in ones are used for this mail and `problems`
    says so: half of one and half of the other could contradict each other.
    """
    try:
        return _mail(briefing, pictures, templates)
    except TEMPLATE_FAULTS as fault:
        if not templates.own:
            raise
        at = {"name": fault.name, "line": fault.lineno} if isinstance(fault, TemplateSyntaxError) else {}
        what = shorten(" ".join(str(fault).split()), 200) or type(fault).__name__
        problem = phrase(f"briefing.templates-broken{'-at' if at else ''}", what=what, **at)
        return replace(_mail(briefing, pictures, BUILT_IN), problems=(problem,))


def _mail(briefing: Briefing, pictures: Sequence[PictureLink], templates: Templates) -> MailParts:
    alerts, views = ranked(briefing), _views(briefing)
    shown = [
        {
            "words": view,
            "line": line_of(view, templates),
            "pictures": [link for link in pictures if briefing.alerts[link.alert] is facts],
        }
        for facts, view in zip(alerts, views, strict=True)
    ]
    subject = _subject(briefing, views, templates)
    values = {
        "subject": subject,
        "views": shown,
        "invented": briefing.is_invented,
        "cautions": cautions_for(alerts),
        "turn_round": TURN_ROUND,
        "credits": credits_of(alerts),
        "manage_url": web_address(briefing.manage_url),
        "unsubscribe_url": web_address(briefing.unsubscribe_url),
    }
    text = templates.render("message.txt.j2", values)
    html = templates.render("message.html.j2", values, html=True)
    return MailParts(subject, text, _inliner().inline(html))


@cache
def _inliner() -> css_inline.CSSInliner:
    """Made once, for it is dear; not before the first mail."""
    return css_inline.CSSInliner(keep_style_tags=True, load_remote_stylesheets=False)


def render_chat(briefing: Briefing) -> tuple[str, str]:
    """The subject, and plain text for a group's chat: a short first line, at most ten lines, nobody called by
    it.

    No personal links: what manages one person's messages has no place in a group. Neither notes for the
    field nor what the chance rests on: no chat shows them, and they take time to word.
    """
    views = _views(briefing, in_full=False)
    subject = _subject(briefing, views, BUILT_IN)
    values = {
        "subject": subject,
        "views": [{"words": view, "line": line_of(view)} for view in views],
        "credits": credits_of(ranked(briefing)),
        "caution": CHAT_CAUTION,
        "turn_round": TURN_ROUND,
    }
    lines = BUILT_IN.render("chat.txt.j2", values).splitlines()
    shown = [shorten(line.strip(), CHAT_LINE_CHARS) for line in lines if line.strip()]
    return subject, "\n".join(shown[:CHAT_LINES])


def ranked(briefing: Briefing) -> tuple[AlertFacts, ...]:
    """The alerts as they are shown: best first, but before all else what calls someone back."""
    return tuple(sorted(briefing.alerts, key=lambda facts: facts.kind is not AlertKind.STAND_DOWN))


def _views(briefing: Briefing, *, in_full: bool = True) -> list[AlertView]:
    """The words of each alert, in the order they are shown.

    The other sites of a night and its fork stand beside the first alert on it, without those told anyway.
    """
    alerts = ranked(briefing)
    views, seen = [], set[date]()
    for facts in alerts:
        told = facts
        if facts.night in seen:
            told = replace(facts, others=(), fork="")
        elif facts.others:
            mine = {each.site_name for each in alerts if each.night == facts.night}
            told = replace(facts, others=tuple(o for o in facts.others if o.site_name not in mine))
        seen.add(facts.night)
        views.append(view_alert(told, briefing.units, in_full=in_full))
    return views


def _subject(briefing: Briefing, views: Sequence[AlertView], templates: Templates) -> str:
    mark = INVENTED_MARK if briefing.is_invented else ""
    room = LONGEST_SUBJECT - len(mark)
    lead, others = views[0], list(views[1:])
    for candidate in _subjects(lead, others, templates):
        if len(candidate) <= room:
            return mark + candidate
    # none fits: the richest subject that leaves 20 characters for the name, else the plainest
    spare = [room - len(line) + 1 for line in _subjects(replace(lead, name="x"), others, templates)]
    chosen = next((i for i, chars in enumerate(spare) if chars >= TELLING_NAME), len(spare) - 1)
    name = shorten(lead.name, max(SHORTEST_NAME, spare[chosen]))
    return mark + _subjects(replace(lead, name=name), others, templates)[chosen]


def _subjects(lead: AlertView, others: list[AlertView], templates: Templates) -> list[str]:
    rendered = templates.render(f"{lead.form}.subject.txt.j2", {"alert": lead, "others": others})
    return [line.strip() for line in rendered.splitlines() if line.strip()]


def line_of(view: AlertView, templates: Templates = BUILT_IN, *, headed: bool = False) -> str:
    """The line that a message opens with. headed: the verdict stands over it and isn't said again."""
    line = templates.render(f"{view.form}.line.txt.j2", {"alert": view, "headed": headed})
    return " ".join(line.split())


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
        if night.notes.panorama is not None:
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
    links = []
    for index, each in ((index, each) for index, drawn in pictures.items() for each in drawn):
        drawing = b64encode(each.svg.encode()).decode("ascii")  # as an address that holds it (RFC 2397)
        links.append(each.link(f"data:image/svg+xml;base64,{drawing}", index))
    return render_mail(briefing, links).html
