"""From a claimed message to what its channel sends; in plain words of ours if the templates fail."""

from __future__ import annotations

import html
import logging
from datetime import UTC, datetime

from alerts.briefing.facts import AlertFacts, Briefing, MailParts
from alerts.briefing.payload import build_payload
from alerts.briefing.render import TEMPLATE_FAULTS, mail_with_pictures
from alerts.common.phrases import Phrase, phrase, say
from alerts.common.text import LONGEST_NAME, plain, unmentioned
from alerts.common.time_text import long_day
from service.accounts.notices.text import notice_payload, render_notice_mail, write_notice
from service.channels.model import ContentForm, Outgoing
from service.delivery.claim import Claimed
from service.delivery.enclosures import EnclosureBuilder
from service.store.json_values import from_json

log = logging.getLogger(__name__)

COMPOSING_FAULTS = (*TEMPLATE_FAULTS, OSError, RuntimeError)
"""What a template, a filter of it, a font or the values under them can raise."""
LONGEST_FAULT = 300


def compose_claimed(
    claimed: Claimed, attempted_at: datetime, enclosures: EnclosureBuilder
) -> tuple[Outgoing, Phrase | None]:
    """What to send, and a sentence for the operator on what went wrong in making it (None if nothing did).

    A fault in composing must not keep an alert back: a minimal text goes out in its place.
    """
    try:
        content, problem = _content(claimed, attempted_at, enclosures)
    except COMPOSING_FAULTS as error:
        log.exception("message %s is sent in its plainest form", claimed.message_id)
        what = f"{type(error).__name__}: {error}"[:LONGEST_FAULT]
        content, problem = _minimal(claimed), phrase("delivery.trouble-plainest", problem=what)
    outgoing = Outgoing(
        message_id=claimed.message_id,
        address=claimed.target,
        attempted_at=attempted_at,
        mail=content if isinstance(content, MailParts) else None,
        payload=None if isinstance(content, MailParts) else content,
        secrets=claimed.secrets,
        unsubscribe_url=claimed.unsubscribe_url,
    )
    return outgoing, problem


def _content(
    claimed: Claimed, attempted_at: datetime, enclosures: EnclosureBuilder
) -> tuple[MailParts | dict[str, object], Phrase | None]:
    is_mail = claimed.channel.form is ContentForm.MAIL
    if claimed.notice is not None:
        notice = write_notice(claimed.notice, claimed.notice_facts, claimed.link)
        if is_mail:
            return render_notice_mail(notice), None
        return notice_payload(notice, claimed.message_id, claimed.created_at), None

    # What sends someone out before the rest, then by what it is worth.
    carried = [(from_json(AlertFacts, told.facts), told) for told in claimed.alerts]
    carried.sort(key=lambda each: (not each[0].is_go, -each[0].worth, -(each[0].chance_pct or 0)))
    briefing = Briefing(
        message_id=claimed.message_id,
        alerts=tuple(facts for facts, _ in carried),
        units=claimed.units,
        manage_url=claimed.manage_url,
        unsubscribe_url=claimed.unsubscribe_url,
    )
    if not is_mail:
        return build_payload(briefing), None
    pictures, calendar, problems = enclosures.enclose(briefing, [told for _, told in carried], attempted_at)
    mail = mail_with_pictures(briefing, pictures, calendar=calendar, templates=enclosures.templates)
    problems = [*problems, *mail.problems]
    return mail, phrase("delivery.troubles", problems=problems) if problems else None


def _minimal(claimed: Claimed) -> MailParts | dict[str, object]:
    """What can be said from the rows alone, without a template."""
    lines = []
    for alert in claimed.alerts:
        name = alert.facts.get("site_name")
        site = plain(name, LONGEST_NAME) if isinstance(name, str) else say("delivery.plain-site")
        lines.append(say("delivery.plain-line", kind=alert.kind, site=site, night=long_day(alert.night_name)))
    if claimed.notice is not None:
        lines = [say("delivery.plain-notice", kind=claimed.notice), claimed.link]
    subject = lines[0]
    text = "\n".join([*filter(None, lines), say("delivery.plain-more")])
    if claimed.channel.form is ContentForm.MAIL:
        body = text
        if claimed.unsubscribe_url:
            body += "\n\n" + say("delivery.plain-unsubscribe", address=claimed.unsubscribe_url)
        paragraphs = "".join(f"<p>{html.escape(line)}</p>" for line in body.splitlines() if line)
        return MailParts(subject, body + "\n", paragraphs)
    kind = f"alert.{claimed.alerts[0].kind}" if claimed.alerts else f"notice.{claimed.notice}"
    data = {
        "version": 1,
        "message_id": claimed.message_id,
        "subject": unmentioned(subject),
        "text": unmentioned(text),
        "alerts": [],
    }
    timestamp = claimed.created_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return {"type": kind, "timestamp": timestamp, "data": data}
