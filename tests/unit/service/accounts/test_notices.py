"""Every notice in both forms: plain words, the link where there is one, nothing undefined."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from service.accounts.notices.text import notice_payload, render_notice_mail, write_notice
from service.store.repositories.messages import NoticeKind

FACTS = {
    "shown": "https://chat.example/…",
    "failures": "4",
    "code": "503",
    "reason": "it took nothing for five days",
    "challenge": "abc234",
    "state": "begun",
    "label": "the wall display",
    "ends": "2027-07-17",
    "title": "mail doesn't leave",
    "text": "The mail server has failed.",
}
AT = datetime(2027, 7, 3, 12, 0, tzinfo=UTC)
LINK = "https://duskbell.example/confirm/abc?a=1&b=2"


@pytest.mark.parametrize("kind", NoticeKind)
def test_each_notice_says_the_same_in_every_form(kind: NoticeKind) -> None:
    notice = write_notice(kind, FACTS, LINK)
    mail = render_notice_mail(notice)
    payload = notice_payload(notice, "msg_x", AT)
    assert len(mail.subject) <= 60
    assert "!" not in mail.subject + mail.text
    for paragraph in notice.paragraphs:
        assert paragraph in mail.text
        assert paragraph in json.loads(json.dumps(payload))["data"]["text"]
    assert payload["type"] == f"notice.{kind.value}"
    assert payload["timestamp"] == "2027-07-03T12:00:00Z"


@pytest.mark.parametrize("kind", [NoticeKind.CONFIRM, NoticeKind.SIGN_IN])
def test_a_link_is_in_text_and_html_and_in_no_payload(kind: NoticeKind) -> None:
    notice = write_notice(kind, FACTS, LINK)
    mail = render_notice_mail(notice)
    assert LINK in mail.text
    assert LINK.replace("&", "&amp;") in mail.html
    assert LINK not in json.dumps(notice_payload(notice, "msg_x", AT))


def test_what_a_receiver_said_is_escaped_in_html() -> None:
    notice = write_notice(NoticeKind.ENDPOINT_FAILING, {**FACTS, "code": "<script>alert(1)</script>"})
    assert "<script>" not in render_notice_mail(notice).html
