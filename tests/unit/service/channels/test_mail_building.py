"""A mail as RFC 5322, RFC 3834 and RFC 8058 want it, read back by the standard library's parser and by
another one, which shares no code with it."""

from __future__ import annotations

import email
import re
from dataclasses import replace
from datetime import UTC, datetime
from email.message import EmailMessage
from email.policy import default

import pytest
from fast_mail_parser import parse_email

from alerts.briefing.facts import Attachment, MailParts
from alerts.common.errors import BadInput
from service.channels.email_message import MAIL_POLICY, build_mail, check_mail_address, sender_address
from service.channels.model import ChannelError, Outgoing

SENDER = sender_address("duskbell@example.org")
OUTGOING = Outgoing(
    message_id="msg_0123456789abcdefghjkmnpqrs",
    address="ada@example.net",
    attempted_at=datetime(2026, 7, 18, 15, 0, 5, tzinfo=UTC),
    mail=MailParts("Go tonight: Peña Ñ, leave by 19:40", "81 % – core\n.\nend\n", "<p>81&nbsp;% – core</p>"),
    unsubscribe_url="https://duskbell.example.org/u/t0k3n?x=1",
)


def wire(outgoing: Outgoing = OUTGOING) -> bytes:
    return build_mail(outgoing, SENDER).as_bytes(policy=MAIL_POLICY)


def read_back(outgoing: Outgoing = OUTGOING) -> EmailMessage:
    parsed = email.message_from_bytes(wire(outgoing), policy=default)
    assert isinstance(parsed, EmailMessage)
    return parsed


def test_headers_come_back_as_they_were_meant() -> None:
    mail = read_back()
    assert {name: str(mail[name]) for name in mail} == {
        "From": "Duskbell <duskbell@example.org>",
        "To": "ada@example.net",
        "Subject": "Go tonight: Peña Ñ, leave by 19:40",
        "Date": "Sat, 18 Jul 2026 15:00:05 +0000",
        "Message-ID": "<msg_0123456789abcdefghjkmnpqrs@example.org>",
        "Auto-Submitted": "auto-generated",
        "List-Unsubscribe": "<https://duskbell.example.org/u/t0k3n?x=1>",
        "List-Unsubscribe-Post": "List-Unsubscribe=One-Click",
        "MIME-Version": "1.0",
        "Content-Type": mail["Content-Type"],
    }
    assert mail.defects == []


PICTURE = Attachment(
    "night.png", "image/png", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, "night@duskbell"
)
CALENDAR = Attachment("night.ics", "text/calendar", "BEGIN:VCALENDAR\r\nX:Peña\r\n".encode())
WHOLE = replace(OUTGOING, mail=replace(OUTGOING.mail, attachments=(PICTURE, CALENDAR)))


def test_another_parser_finds_the_same_parts_and_headers() -> None:
    found = parse_email(wire(WHOLE))
    assert found.subject == "Go tonight: Peña Ñ, leave by 19:40"
    assert [text.replace("\r\n", "\n") for text in found.text_plain] == ["81 % – core\n.\nend\n"]
    assert [text.strip() for text in found.text_html] == ["<p>81&nbsp;% – core</p>"]
    headers = {name.lower(): value for name, (value, *_) in found.headers.items()}
    assert headers["list-unsubscribe"] == "<https://duskbell.example.org/u/t0k3n?x=1>"
    assert headers["list-unsubscribe-post"] == "List-Unsubscribe=One-Click"
    assert headers["message-id"] == "<msg_0123456789abcdefghjkmnpqrs@example.org>"
    files = {each.filename: bytes(each.content) for each in found.attachments}
    assert files["night.png"] == PICTURE.content
    assert files["night.ics"].replace(b"\r\n", b"\n") == CALENDAR.content.replace(b"\r\n", b"\n")


def test_a_repeat_has_the_same_bytes_but_for_its_date() -> None:
    later = replace(WHOLE, attempted_at=datetime(2026, 7, 18, 16, 0, tzinfo=UTC))
    first, second = wire(WHOLE), wire(later)
    assert re.sub(rb"\r\nDate: [^\r]+", b"", first) == re.sub(rb"\r\nDate: [^\r]+", b"", second)


def test_no_boundary_stands_in_a_body() -> None:
    mail = email.message_from_bytes(wire(WHOLE), policy=default)
    boundaries = [part.get_boundary() for part in mail.walk() if part.is_multipart()]
    assert len(set(boundaries)) == 3
    hostile = replace(
        OUTGOING, mail=MailParts("x", "\n".join(f"--{each}" for each in boundaries) + "\n", "<p>=_</p>")
    )
    assert len(list(email.message_from_bytes(wire(hostile), policy=default).iter_parts())) == 2  # type: ignore[attr-defined]


def test_text_comes_first_and_html_second_with_the_same_characters() -> None:
    mail = read_back()
    assert mail.get_content_type() == "multipart/alternative"
    parts = list(mail.iter_parts())
    assert [part.get_content_type() for part in parts] == ["text/plain", "text/html"]
    assert parts[0].get_content().splitlines() == ["81 % – core", ".", "end"]
    assert parts[1].get_content().splitlines() == ["<p>81&nbsp;% – core</p>"]


def test_wire_is_ascii_with_crlf_and_short_lines() -> None:
    content = wire(replace(OUTGOING, mail=MailParts("S", "x" * 5000, "<p>" + "y" * 5000 + "</p>")))
    assert content.isascii()
    assert re.search(rb"(?<!\r)\n|\r(?!\n)", content) is None
    assert max(map(len, content.split(b"\r\n"))) <= 998  # RFC 5322 2.1.1


def test_message_id_stays_over_attempts_while_the_date_is_the_attempts() -> None:
    later = read_back(replace(OUTGOING, attempted_at=datetime(2026, 7, 18, 15, 2, tzinfo=UTC)))
    assert later["Message-ID"] == read_back()["Message-ID"]
    assert later["Date"] != read_back()["Date"]


def test_without_an_unsubscribe_address_neither_header_is_there() -> None:
    mail = read_back(replace(OUTGOING, unsubscribe_url=None))
    assert (mail["List-Unsubscribe"], mail["List-Unsubscribe-Post"]) == (None, None)


BREAKS = {
    "CRLF": "\r\n", "LF": "\n", "CR": "\r", "NUL": "\x00", "vertical tab": "\x0b", "bidi": "\u202e",
    "line separator": "\u2028", "zero width space": "\u200b",
}  # fmt: skip


@pytest.mark.parametrize("hostile", BREAKS.values(), ids=BREAKS)
@pytest.mark.parametrize("place", ["subject", "address", "message_id", "unsubscribe_url"])
def test_nothing_that_ends_or_hides_a_header_gets_in(place: str, hostile: str) -> None:
    text = f"x{hostile}Bcc: eve@example.net"
    assert OUTGOING.mail is not None
    changed = {
        "subject": replace(OUTGOING, mail=replace(OUTGOING.mail, subject=text)),
        "address": replace(OUTGOING, address=f"a{hostile}@example.net"),
        "message_id": replace(OUTGOING, message_id=text),
        "unsubscribe_url": replace(OUTGOING, unsubscribe_url=f"https://example.org/{hostile}"),
    }
    with pytest.raises(ChannelError) as caught:
        build_mail(changed[place], SENDER)
    assert caught.value.permanent


@pytest.mark.parametrize(
    "address",
    ["", "ada", "ada@", "a@b.example, c@d.example", "Ada <a@b.example>", "ad@a@b.example", "ädä@example.net"],
)
def test_anything_but_one_plain_recipient_is_refused(address: str) -> None:
    with pytest.raises(ChannelError) as caught:
        build_mail(replace(OUTGOING, address=address), SENDER)
    assert (caught.value.code, caught.value.permanent) == ("address", True)


@pytest.mark.parametrize(
    "url", ["ftp://example.org/u", "https://example.org/a b", "https://e/<x>", "mailto:a@b.c"]
)
def test_an_unsubscribe_address_has_to_be_one_plain_web_address(url: str) -> None:
    with pytest.raises(ChannelError, match="unsubscribe"):
        build_mail(replace(OUTGOING, unsubscribe_url=url), SENDER)


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("alerts@example.org", "Duskbell <alerts@example.org>"),
        ("Night desk <alerts@example.org>", "Night desk <alerts@example.org>"),
    ],
)
def test_sender_may_bring_its_name(given: str, shown: str) -> None:
    assert str(sender_address(given)) == shown


@pytest.mark.parametrize("given", ["", "nobody", "a@b@c", "<>"])
def test_a_sender_that_is_none_is_named(given: str) -> None:
    with pytest.raises(BadInput, match=r"alerts@example\.org"):
        sender_address(given)


@pytest.mark.parametrize(
    ("given", "stored"),
    [
        (" Ada@EXAMPLE.org ", "Ada@example.org"),
        ("ada@bücher.de", "ada@xn--bcher-kva.de"),
        ("ada+sky@example.org", "ada+sky@example.org"),
    ],
)
def test_address_is_stored_in_its_plain_form(given: str, stored: str) -> None:
    assert check_mail_address(given) == stored


@pytest.mark.parametrize(
    "given",
    [
        "",
        "ada",
        "ada@localhost",
        "ada@[127.0.0.1]",
        '"a b"@example.org',
        "a@b.org\r\nBcc: c@d.org",
        "ädä@example.org",
    ],
)
def test_address_that_can_not_be_one_is_refused(given: str) -> None:
    with pytest.raises(BadInput):
        check_mail_address(given)
