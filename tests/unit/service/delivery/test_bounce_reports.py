"""Returned mails and complaints, read as RFC 3464 (delivery status), RFC 3463 (codes) and RFC 5965
(complaints) write them. The reports here are made up after the forms in those documents."""

from __future__ import annotations

import pytest

from service.delivery.bounces import LARGEST_REPORT_BYTES, Report, judge_code, read_report
from service.store.repositories.suppression import BounceKind

OURS = "msg_abcdefghijklmnopqrstuvwxyz"


def status_report(
    *, status: str = "5.1.1", action: str = "failed", returned: str = "message/rfc822", ours: str = OURS
) -> bytes:
    return f"""\
From: MAILER-DAEMON@mx.example.net
To: bounces@example.org
Subject: Undelivered Mail Returned to Sender
MIME-Version: 1.0
Content-Type: multipart/report; report-type=delivery-status; boundary="b1"

--b1
Content-Type: text/plain; charset=us-ascii

I could not deliver your message.

--b1
Content-Type: message/delivery-status

Reporting-MTA: dns; mx.example.net
Arrival-Date: Sat, 3 Jul 2027 12:00:00 +0000

Final-Recipient: rfc822; someone.else@example.net
Original-Recipient: rfc822; ada@example.net
Action: {action}
Status: {status}
Diagnostic-Code: smtp; 550 5.1.1 no such user

--b1
Content-Type: {returned}

From: Duskbell <duskbell@example.org>
To: ada@example.net
Message-ID: <{ours}@example.org>
Subject: Go tonight

text

--b1--
""".encode()


COMPLAINT = f"""\
From: <abuse@mailbox.example>
To: bounces@example.org
Subject: FW: Go tonight
MIME-Version: 1.0
Content-Type: multipart/report; report-type=feedback-report; boundary="b2"

--b2
Content-Type: text/plain

This is an email abuse report.

--b2
Content-Type: message/feedback-report

Feedback-Type: abuse
User-Agent: SomeGenerator/1.0
Version: 1

--b2
Content-Type: message/rfc822

From: Duskbell <duskbell@example.org>
Message-ID: <{OURS}@example.org>
Subject: Go tonight

text

--b2--
""".encode()


@pytest.mark.parametrize("returned", ["message/rfc822", "text/rfc822-headers"])
def test_a_returned_mail_names_our_message_and_its_code(returned: str) -> None:
    assert read_report(status_report(returned=returned)) == Report(OURS, BounceKind.HARD, "5.1.1")


def test_line_ends_of_the_wire_are_read_too() -> None:
    wire = status_report().replace(b"\n", b"\r\n")
    assert read_report(wire) == Report(OURS, BounceKind.HARD, "5.1.1")


@pytest.mark.parametrize(
    ("code", "kind", "is_policy"),
    [
        ("5.1.1", BounceKind.HARD, False), ("5.1.10", BounceKind.HARD, False),
        ("5.0.0", BounceKind.HARD, False),
        ("5.2.2", None, False), ("5.4.4", None, False), ("4.4.1", None, False), ("4.2.2", None, False),
        ("5.7.1", None, True), ("5.7.26", None, True),
    ],
)  # fmt: skip
def test_a_code_means_a_dead_mailbox_a_passing_fault_or_our_own(
    code: str, kind: BounceKind | None, is_policy: bool
) -> None:
    assert judge_code(OURS, code) == Report(OURS, kind, code, is_policy)
    assert read_report(status_report(status=code)) == Report(OURS, kind, code, is_policy)


@pytest.mark.parametrize("action", ["delayed", "delivered", "relayed", "expanded"])
def test_only_a_failure_counts(action: str) -> None:
    report = read_report(status_report(action=action))
    assert report is not None
    assert report.kind is None


@pytest.mark.parametrize(
    ("said", "report"),
    [
        (b"abuse", Report(OURS, BounceKind.COMPLAINT, "abuse")),
        (b"Fraud", Report(OURS, BounceKind.COMPLAINT, "fraud")),
        (b"other", Report(OURS, BounceKind.COMPLAINT, "other")),
        (b"opt-out", Report(OURS, BounceKind.COMPLAINT, "opt-out")),
        (b"", Report(OURS, BounceKind.COMPLAINT, "complaint")),
        (b"abuse\x00 and more that no table takes", Report(OURS, BounceKind.COMPLAINT, "complaint")),
        (b"not-spam", Report(OURS, None, "not-spam")),
        (b"auth-failure", Report(OURS, None, "auth-failure", is_policy=True)),
    ],
    ids=lambda value: value.decode() or "unsaid" if isinstance(value, bytes) else "",
)
def test_a_feedback_report_says_what_its_reader_meant(said: bytes, report: Report) -> None:
    """RFC 5965, 7.3, and the types added by RFC 6430 and RFC 6591."""
    assert read_report(COMPLAINT.replace(b"Feedback-Type: abuse", b"Feedback-Type: " + said)) == report


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"Subject: hello\n\nno report at all",
        status_report(ours="someone-elses-id"),
        status_report(ours="msg_short"),
        status_report().replace(b"multipart/report", b"multipart/mixed"),
        status_report().replace(b"Status: 5.1.1", b"Status: nonsense"),
        b"From: x\nMessage-ID: <" + OURS.encode() + b"@example.org>\n\na mail that only bears our id",
        status_report() + b"x" * LARGEST_REPORT_BYTES,
    ],
    ids=["empty", "a mail", "not ours", "a short id", "no report type", "no code", "our id above", "huge"],
)
def test_anything_else_is_no_report(raw: bytes) -> None:
    assert read_report(raw) is None


def _nested(kind: str, levels: int) -> bytes:
    """Parts within parts, some 9 kB of them."""
    if kind == "message":
        return b"Content-Type: message/rfc822\n\n" * levels + b"Subject: x\n\nend\n"
    opened = [f'Content-Type: multipart/{kind}; boundary="{n}"\n\n--{n}\n' for n in range(levels)]
    return "".join(opened).encode() + b"\nend\n"


def _as_report(inside: bytes) -> bytes:
    """The same as a part of what says that it is a report about a message of ours."""
    head, tail = status_report().split(b"--b1\nContent-Type: text/plain", 1)
    return head + b"--b1\n" + inside + b"\n--b1\nContent-Type: text/plain" + tail


NASTY = {
    "nested messages": _nested("message", 300),
    "nested parts": _nested("mixed", 170),
    "nested digests": _nested("digest", 170),
    "a report of nested messages": _as_report(_nested("message", 300)),
    "a report of nested parts": _as_report(_nested("mixed", 170)),
    "thousands of parts": _as_report(b"Content-Type: text/plain\n\nx\n--b1\n" * 5000),
    "quotes without end": b'Content-Type: multipart/report; a="' + b';"' * 20_000 + b"\n\n",
    "no headers at all": b"\xff" * 5000,
    "nothing": b"",
    "a null byte in its type": b"Content-Type: multipart/report\0; boundary=\0\n\n--\0\n",
    "a set of letters that isn't there": b"Content-Type: multipart/report; boundary*=x-none''%ff\n\n",
    "too large": status_report() + b"x" * LARGEST_REPORT_BYTES,
}
"""Mails that anybody can send to the address of bounces."""


@pytest.mark.parametrize("raw", NASTY.values(), ids=NASTY.keys())
def test_row_126_a_mail_made_to_break_the_reader_is_no_report(raw: bytes) -> None:
    assert read_report(raw) is None
