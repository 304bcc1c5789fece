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


JOINING = "confirm_joining"
"""A confirmation that asks whether the address joins the account of who typed it in."""
WORDS: Mapping[str, tuple[str, tuple[str, ...], str, str]] = {
    JOINING: (
        "accounts.confirm-subject",
        (
            "accounts.confirm-joining-asked",
            "accounts.confirm-joining-yours",
            "accounts.confirm-joining-not-yours",
        ),
        "accounts.confirm-joining-button",
        "accounts.confirm-joining-small",
    ),
    NoticeKind.CONFIRM: (
        "accounts.confirm-subject",
        ("accounts.confirm-asked", "accounts.confirm-how"),
        "accounts.confirm-button",
        "accounts.confirm-small",
    ),
    NoticeKind.SIGN_IN: (
        "accounts.sign-in-subject",
        ("accounts.sign-in-how",),
        "accounts.sign-in-button",
        "accounts.sign-in-small",
    ),
    NoticeKind.TEST: (
        "accounts.test-subject",
        ("accounts.test-why", "accounts.test-code"),
        "",
        "accounts.test-small",
    ),
    NoticeKind.HELLO: ("accounts.test-subject", ("accounts.hello-arrives",), "", "accounts.hello-small"),
    NoticeKind.ENDPOINT_FAILING: (
        "accounts.failing-subject",
        ("accounts.failing-how-often", "accounts.failing-what-next"),
        "",
        "",
    ),
    NoticeKind.ENDPOINT_OFF: (
        "accounts.off-subject",
        ("accounts.off-why", "accounts.off-what-next"),
        "",
        "",
    ),
    NoticeKind.KEY_ENDS: (
        "accounts.key-ends-subject",
        ("accounts.key-ends-when", "accounts.key-ends-what-next"),
        "",
        "accounts.key-ends-small",
    ),
    NoticeKind.OPERATOR: ("accounts.operator-subject", (), "", "accounts.operator-small"),
}
"""By kind: subject, paragraphs, the label of its link, the small print; "" for none."""

KEPT_AS = {"account": "joins", "receiver": "shown", "answer": "code"}
"""Values of entries that notices' facts in rows, also those of older versions, have by another name."""


def write_notice(kind: NoticeKind, facts: Mapping[str, str], link: str = "") -> NoticeText:
    """The notice of that kind. facts: what its entries name; link: where it leads."""
    is_joining = kind is NoticeKind.CONFIRM and "joins" in facts
    subject, paragraphs, label, small_print = WORDS[JOINING if is_joining else kind]
    values = {**{name: facts.get(kept_as, "") for name, kept_as in KEPT_AS.items()}, **facts}
    return NoticeText(
        kind,
        say(subject, **values),
        tuple(say(key, **values) for key in paragraphs) or (facts["text"],),  # the operator's is whole
        link if label else "",
        say(label) if label else "",
        (say(small_print),) if small_print else (),
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
