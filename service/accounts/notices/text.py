"""What each notice says, and its two forms: a mail, and the payload of a webhook."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined

from alerts.briefing.facts import MailParts
from alerts.common.phrases import say
from service.store.repositories.messages import NoticeKind


@dataclass(frozen=True, slots=True)
class NoticeText:
    """link: an address to open, with its label; the last paragraphs stand below it."""

    kind: NoticeKind
    subject: str
    paragraphs: tuple[str, ...]
    link: str = ""
    label: str = ""
    small_print: tuple[str, ...] = ()


def write_notice(kind: NoticeKind, facts: Mapping[str, str], link: str = "") -> NoticeText:
    """The notice of that kind. facts: what its entries name; link: where it leads."""
    match kind:
        case NoticeKind.CONFIRM if "joins" in facts:
            return NoticeText(
                kind,
                say("accounts.confirm-subject"),
                (
                    say("accounts.confirm-joining-asked", account=facts["joins"]),
                    say("accounts.confirm-joining-yours"),
                    say("accounts.confirm-joining-not-yours"),
                ),
                link,
                say("accounts.confirm-joining-button"),
                (say("accounts.confirm-joining-small"),),
            )
        case NoticeKind.CONFIRM:
            return NoticeText(
                kind,
                say("accounts.confirm-subject"),
                (say("accounts.confirm-asked"), say("accounts.confirm-how")),
                link,
                say("accounts.confirm-button"),
                (say("accounts.confirm-small"),),
            )
        case NoticeKind.SIGN_IN:
            return NoticeText(
                kind,
                say("accounts.sign-in-subject"),
                (say("accounts.sign-in-how", account=facts.get("account", "")),),
                link,
                say("accounts.sign-in-button"),
                (say("accounts.sign-in-small"),),
            )
        case NoticeKind.TEST:
            return NoticeText(
                kind,
                say("accounts.test-subject"),
                (say("accounts.test-why"), say("accounts.test-code", code=facts["challenge"])),
                small_print=(say("accounts.test-small"),),
            )
        case NoticeKind.HELLO:
            return NoticeText(
                kind,
                say("accounts.test-subject"),
                (say("accounts.hello-arrives"),),
                small_print=(say("accounts.hello-small"),),
            )
        case NoticeKind.ENDPOINT_FAILING:
            failing = say(
                "accounts.failing-how-often",
                receiver=facts["shown"],
                failures=facts["failures"],
                answer=facts["code"],
            )
            return NoticeText(
                kind, say("accounts.failing-subject"), (failing, say("accounts.failing-what-next"))
            )
        case NoticeKind.ENDPOINT_OFF:
            off = say("accounts.off-why", receiver=facts["shown"], reason=facts["reason"])
            return NoticeText(kind, say("accounts.off-subject"), (off, say("accounts.off-what-next")))
        case NoticeKind.KEY_ENDS:
            return NoticeText(
                kind,
                say("accounts.key-ends-subject"),
                (
                    say("accounts.key-ends-when", label=facts["label"], ends=facts["ends"]),
                    say("accounts.key-ends-what-next"),
                ),
                small_print=(say("accounts.key-ends-small"),),
            )
        case NoticeKind.OPERATOR:
            return NoticeText(
                kind,
                say("accounts.operator-subject", state=facts["state"], title=facts["title"]),
                (facts["text"],),
                small_print=(say("accounts.operator-small"),),
            )


def render_notice_mail(notice: NoticeText) -> MailParts:
    """Subject, text and HTML of the same content."""
    text = _templates(html=False).get_template("notice.txt.j2").render(notice=notice)
    html = _templates(html=True).get_template("notice.html.j2").render(notice=notice)
    return MailParts(notice.subject, text, html)


@cache
def _templates(*, html: bool) -> Environment:
    return Environment(
        loader=PackageLoader("service.accounts.notices"),
        undefined=StrictUndefined,
        autoescape=html,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def notice_payload(notice: NoticeText, message_id: str, at: datetime, **more: str) -> dict[str, object]:
    """`notice.<kind>` with `subject` and `text`, which chat receivers show; more: further data."""
    text = "\n".join([notice.subject, *notice.paragraphs, *notice.small_print])
    return {
        "type": f"notice.{notice.kind.value}",
        "timestamp": at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "data": {"version": 1, "message_id": message_id, "subject": notice.subject, "text": text, **more},
    }
