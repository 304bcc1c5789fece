"""What each reply of a mail server speaks of: by RFC 5321 4.2.3, RFC 4954 and RFC 3463."""

from __future__ import annotations

import pytest

from service.channels.email import Refusal, SmtpStep, is_about_us, judge_refusal

SENDER, RECIPIENT, CONTENT = SmtpStep.SENDER, SmtpStep.RECIPIENT, SmtpStep.CONTENT
PASSING, US, ADDRESS, MESSAGE = Refusal.PASSING, Refusal.US, Refusal.ADDRESS, Refusal.MESSAGE


@pytest.mark.parametrize(
    ("step", "reply", "refusal"),
    [
        (SENDER, "550 5.7.1 you may not send", US),
        (SENDER, "553 5.1.8 no such domain", US),
        (SENDER, "550 5.1.1 odd at this step", US),
        (SENDER, "552 5.3.4 too big", US),
        (SENDER, "451 4.3.0 later", US),
        (SENDER, "530 5.7.0 log in first", US),
        (RECIPIENT, "530 5.7.0 log in first", US),
        (RECIPIENT, "535 5.7.8 login no longer valid", US),
        (RECIPIENT, "550 5.7.1 relay access denied", US),
        (RECIPIENT, "554 5.7.1 client host rejected", US),
        (RECIPIENT, "550 5.7.26 not authenticated", US),
        (RECIPIENT, "550 5.7.515 not authenticated", US),
        (RECIPIENT, "550 5.1.7 sender rejected", US),
        (RECIPIENT, "550 5.1.8 sender's domain not found", US),
        (RECIPIENT, "421 4.3.2 closing", PASSING),
        (RECIPIENT, "450 4.2.0 greylisted", PASSING),
        (RECIPIENT, "451 4.7.1 greylisted", PASSING),
        (RECIPIENT, "452 4.2.2 full", PASSING),
        (RECIPIENT, "552 5.2.2 full", PASSING),
        (RECIPIENT, "552 full", PASSING),
        (RECIPIENT, "554 5.3.2 takes no mail now", PASSING),
        (RECIPIENT, "554 5.4.4 no route", PASSING),
        (RECIPIENT, "550 5.1.1 no such user", ADDRESS),
        (RECIPIENT, "550 5.1.10 takes no mail at all", ADDRESS),
        (RECIPIENT, "553 5.1.3 bad syntax", ADDRESS),
        (RECIPIENT, "551 5.1.6 moved", ADDRESS),
        (RECIPIENT, "550 no such user", ADDRESS),
        (RECIPIENT, "551 not here", ADDRESS),
        (RECIPIENT, "553 name not allowed", ADDRESS),
        (RECIPIENT, "554 no", MESSAGE),
        (RECIPIENT, "555 parameters", MESSAGE),
        (RECIPIENT, "550 5.2.1 disabled", MESSAGE),
        (RECIPIENT, "550 4.2.2 codes that differ", ADDRESS),
        (CONTENT, "550 5.1.1 no such user", ADDRESS),
        (CONTENT, "554 5.7.1 spam", US),
        (CONTENT, "554 5.6.0 no", MESSAGE),
        (CONTENT, "552 5.3.4 too big", MESSAGE),
        (CONTENT, "552 too big", PASSING),
        (CONTENT, "550 no", MESSAGE),
        (CONTENT, "451 4.3.0 disk full", PASSING),
        (CONTENT, "250 5.1.1 odd", PASSING),
        (CONTENT, "600 what", PASSING),
    ],
)
def test_row_129_a_reply_speaks_of(step: SmtpStep, reply: str, refusal: Refusal) -> None:
    code, _, text = reply.partition(" ")
    assert judge_refusal(step, int(code), text) is refusal


@pytest.mark.parametrize(
    ("code", "about_us"),
    [("5.7.1", True), ("5.1.7", True), ("5.1.8", True), ("5.1.1", False), ("5.71.1", False)],
)
def test_row_129_returned_mails_are_read_by_the_same_codes(code: str, about_us: bool) -> None:
    assert is_about_us(code) is about_us
