"""What a mail server's refusal speaks of: pure functions over the step, the reply and its enhanced code.

Reply codes are those of RFC 5321 (4.2.3) and RFC 4954 (login), enhanced codes those of RFC 3463 with the
later entries of IANA's register. A server may hold back what it thinks of the sender until the recipient is
named, so at that step the enhanced code decides who is meant.
"""

from __future__ import annotations

import re
from enum import StrEnum

from alerts.common.phrases import Phrase, phrase


class SmtpStep(StrEnum):
    """How far the talk had come."""

    SENDER = "sender"  # MAIL: nobody has been named yet
    RECIPIENT = "recipient"  # RCPT
    CONTENT = "content"  # DATA, and what is answered after it


class Refusal(StrEnum):
    """What it speaks of, and so what is done."""

    PASSING = "passing"  # try again
    US = "us"  # this installation or its relay: try again, and tell the operator
    ADDRESS = "address"  # the message fails, and counts against its address
    MESSAGE = "message"  # the message fails, the operator hears of it, its address is not to blame


SETUP_CODES = frozenset({530, 534, 535, 538})
"""Replies about our login (RFC 4954): no fault of the recipient's, and mended by the operator."""
_ABOUT_SENDER = frozenset({"5.1.7", "5.1.8"})
"""Bad syntax or system of the sender's address (RFC 3463, 3.2); servers say so at RCPT as well."""
_MAY_PASS = frozenset({"5.2.2", "5.3.1", "5.3.2"})
"""A full mailbox, a full system, one that takes no mail just now: said for good, they pass all the same."""
_NAME_CODES = frozenset({550, 551, 553})
"""Without an enhanced code: the mailbox isn't there, isn't here, or isn't allowed (RFC 5321, 4.2.3)."""


def judge_refusal(step: SmtpStep, code: int, text: str) -> Refusal:
    """What a reply that doesn't let us go on speaks of. text: what follows the code."""
    if step is SmtpStep.SENDER or code in SETUP_CODES:
        return Refusal.US
    enhanced = read_enhanced(text)
    if not 500 <= code < 600:
        return Refusal.PASSING
    if enhanced is None or not enhanced.startswith("5."):  # by the code alone
        if code == 552:  # RFC 5321, 4.5.3.1.10: to be treated as if it were 452
            return Refusal.PASSING
        is_name = step is SmtpStep.RECIPIENT and code in _NAME_CODES
        return Refusal.ADDRESS if is_name else Refusal.MESSAGE
    if is_about_us(enhanced):
        return Refusal.US
    if enhanced.startswith("5.1."):
        return Refusal.ADDRESS
    return Refusal.PASSING if enhanced in _MAY_PASS or enhanced.startswith("5.4.") else Refusal.MESSAGE


def is_about_us(enhanced: str) -> bool:
    """Whether a final code speaks of who sends: policy and login (X.7.X), or the sender's address."""
    return enhanced.startswith("5.7.") or enhanced in _ABOUT_SENDER


def read_enhanced(text: str) -> str | None:
    """The enhanced code at the start of a reply's text (RFC 2034)."""
    found = re.match(r"[245]\.\d{1,3}\.\d{1,3}(?=\s|$)", text)
    return found[0] if found else None


def relay_advice(code: str) -> Phrase:
    """What mends a relay that doesn't work, by the code of the error (`ChannelError.code`)."""
    if code == "not_offered":
        return phrase("channels.advice-not-offered")
    if code == "tls":
        return phrase("channels.advice-tls")
    if code == "proxy":
        return phrase("channels.advice-proxy")
    if code.startswith(("534", "535", "538")):  # about a login (RFC 4954)
        return phrase("channels.advice-login")
    return phrase("channels.advice-refused") if code[:1] in ("4", "5") else phrase("channels.advice-host")
