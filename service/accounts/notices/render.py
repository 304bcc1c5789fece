"""A notice as a mail and as the payload of a webhook."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined

from alerts.briefing.facts.alert import MailParts
from service.accounts.notices.text import Notice


def render_notice_mail(notice: Notice) -> MailParts:
    """Subject, text and HTML of the same content."""
    text = _templates(html=False).get_template("notice.txt.j2").render(notice=notice)
    html = _templates(html=True).get_template("notice.html.j2").render(notice=notice)
    return MailParts(notice.subject, text, html)


def notice_payload(notice: Notice, message_id: str, at: datetime, **more: str) -> dict[str, object]:
    """`notice.<kind>` with `subject` and `text`, which chat receivers show; more: further data."""
    text = "\n".join([notice.subject, *notice.paragraphs, *notice.small_print])
    return {
        "type": f"notice.{notice.kind.value}",
        "timestamp": at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "data": {"version": 1, "message_id": message_id, "subject": notice.subject, "text": text, **more},
    }


@cache
def _templates(*, html: bool) -> Environment:
    return Environment(
        loader=PackageLoader("service.accounts.notices"),
        undefined=StrictUndefined,
        autoescape=html,
        trim_blocks=True,
        lstrip_blocks=True,
    )
