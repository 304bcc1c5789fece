"""From a claimed message to what its channel sends; in plain words of ours if the templates fail."""

from __future__ import annotations

import html
import logging
from datetime import UTC, datetime

from alerts.briefing.facts import AlertFacts, Briefing, MailParts
from alerts.briefing.payload import build_payload
from alerts.briefing.render import TEMPLATE_FAULTS, mail_with_pictures
from alerts.common.phrases import say
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
    claimed: Claimed, attempted_at: datetime, enclosures: EnclosureBuilder | None = None
) -> tuple[Outgoing, str]:
    """What to send, and a sentence for the operator on what went wrong in making it ("" if nothing did).

    A fault in composing must not keep an alert back: a minimal text goes out in its place. enclosures: makes
    what mails enclose; None encloses a calendar alone.
    """
    is_mail = claimed.channel.form is ContentForm.MAIL
    try:
        if claimed.notice is not None:
            notice = write_notice(claimed.notice, claimed.notice_facts, claimed.link)
            if is_mail:
                return _outgoing(claimed, attempted_at, mail=render_notice_mail(notice)), ""
            payload = notice_payload(notice, claimed.message_id, claimed.created_at)
            return _outgoing(claimed, attempted_at, payload=payload), ""

        # What sends someone out before the rest, then by what it is worth.
        carried = []
        for told in claimed.alerts:
            links = {"outcome_url": told.outcome_url, "night_url": told.night_url}
            carried.append((from_json(AlertFacts, {**told.facts, **links}), told))
        carried.sort(key=lambda each: (not each[0].is_go, -each[0].worth, -(each[0].chance_pct or 0)))
        briefing = Briefing(
            message_id=claimed.message_id,
            alerts=tuple(facts for facts, _ in carried),
            units=claimed.units,
            manage_url=claimed.manage_url,
            unsubscribe_url=claimed.unsubscribe_url,
        )
        if not is_mail:
            return _outgoing(claimed, attempted_at, payload=build_payload(briefing)), ""
        builder = enclosures or EnclosureBuilder()
        extra, problems = builder.enclose(briefing, [told for _, told in carried], attempted_at)
        mail = mail_with_pictures(
            briefing, extra.pictures, calendar=extra.calendar, templates=extra.templates
        )
        return _outgoing(claimed, attempted_at, mail=mail), " ".join([*problems, *mail.problems])
    except COMPOSING_FAULTS as error:
        log.exception("message %s is sent in its plainest form", claimed.message_id)
        what = f"{type(error).__name__}: {error}"[:LONGEST_FAULT]
        return _minimal(claimed, attempted_at), say("delivery.trouble-plainest", problem=what)


def _minimal(claimed: Claimed, attempted_at: datetime) -> Outgoing:
    """What can be said from the rows alone, without a template."""
    lines = []
    for alert in claimed.alerts:
        name = alert.facts.get("site_name") if hasattr(alert.facts, "get") else None
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
        return _outgoing(claimed, attempted_at, mail=MailParts(subject, body + "\n", paragraphs))
    kind = f"alert.{claimed.alerts[0].kind}" if claimed.alerts else f"notice.{claimed.notice}"
    data = {
        "version": 1,
        "message_id": claimed.message_id,
        "subject": unmentioned(subject),
        "text": unmentioned(text),
        "alerts": [],
    }
    timestamp = claimed.created_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return _outgoing(claimed, attempted_at, payload={"type": kind, "timestamp": timestamp, "data": data})


def _outgoing(
    claimed: Claimed,
    attempted_at: datetime,
    *,
    mail: MailParts | None = None,
    payload: dict[str, object] | None = None,
) -> Outgoing:
    return Outgoing(
        message_id=claimed.message_id,
        address=claimed.target,
        attempted_at=attempted_at,
        mail=mail,
        payload=payload,
        secrets=claimed.secrets,
        unsubscribe_url=claimed.unsubscribe_url,
    )
