"""Mails that come back: read from a mailbox or reported by the relay, believed only about our own.

A report counts if it names the id of a message that this installation sent (128 random bits that only
its reader and the relay have seen), and it counts against the address that message went to, whatever
address the report names. Reports: delivery status notifications (RFC 3464, with the status codes of
RFC 3463) and feedback reports of complaints (RFC 5965).
"""

from __future__ import annotations

import contextlib
import email
import hashlib
import logging
import mailbox
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from email.errors import MessageError
from email.message import Message
from pathlib import Path

from sqlalchemy.orm import Session

from alerts.common.errors import DuskbellError
from alerts.common.phrases import phrase, say
from service.channels import host_state
from service.channels.email import is_about_us
from service.channels.host_state import FailureOutcome
from service.common.clock import Moment
from service.common.metrics import Metrics
from service.common.secret_key import Keys
from service.delivery.results import tell_owner
from service.store.repositories import suppression
from service.store.repositories.messages import find_mail
from service.store.repositories.operator_alerts import note_trouble
from service.store.repositories.suppression import Bounce, BounceKind

log = logging.getLogger(__name__)

Box = mailbox.Maildir | mailbox.mbox
LARGEST_REPORT_BYTES = 512 * 1024
HEAD_BYTES = 64 * 1024
"""Within these a mail says what it is."""
LONGEST_FIELD = 2000
"""Of a part's type: the library takes the square of its length to read it."""
PARTS_AT_MOST = 100
"""Headers of parts in one report: ours have some twelve. The library goes into parts as deep as they are
nested, and some three hundred in 9 kB end it."""
LOOK_FOR_S = 10.0
LOOK_AT_BYTES = 16 * 1024 * 1024
"""What one look at the mailbox takes at most, which is locked meanwhile; the next one goes on."""
NAMED_BY_BYTES = 4096
UNREADABLE = (MessageError, RecursionError, ValueError, LookupError, TypeError, AttributeError)
"""What the library raises over mails that somebody has written to break it."""
_OUR_ID = re.compile(rb"(?im)^(?:X-)?(?:Original-)?Message-ID:[ \t\r\n]*<(msg_[a-z0-9]{26})@[^>\r\n]*>")
_TYPE_FIELD = re.compile(rb"(?i)content-type[ \t]*:[^\n]*(?:\n[ \t][^\n]*)*")
_SOFT = ("5.2.", "5.3.", "5.4.", "5.5.", "5.6.")
"""Full mailboxes, routing and protocol troubles: they may pass, though the code begins with 5."""


class MailboxTrouble(DuskbellError):
    """The mailbox with the bounces can't be read."""


@dataclass(frozen=True, slots=True)
class Report:
    """What a report says. kind: None where it speaks of neither (delayed, our policy, a passing fault)."""

    message_id: str
    kind: BounceKind | None
    code: str
    is_policy: bool = False


def read_report(raw: bytes) -> Report | None:
    """The report in a mail; None when it is no report about a message of ours, or can't be read."""
    try:
        return _read(email.message_from_bytes(raw)) if _may_be_report(raw) else None
    except UNREADABLE as error:
        log.warning("a mail among the bounces can't be read: %s", type(error).__name__)
        return None


def _may_be_report(raw: bytes) -> bool:
    """By its first headers, before anything else of it is read; and whether that costs little."""
    head = re.split(rb"\r?\n\r?\n", raw[:HEAD_BYTES], maxsplit=1)[0]
    own = _TYPE_FIELD.search(head)
    if own is None or b"multipart/report" not in own[0].lower() or len(raw) > LARGEST_REPORT_BYTES:
        return False
    fields = _TYPE_FIELD.findall(raw)
    return len(fields) <= PARTS_AT_MOST and max(map(len, fields)) <= LONGEST_FIELD


def _read(mail: Message) -> Report | None:
    returned = ("message/rfc822", "text/rfc822-headers", "message/rfc822-headers")  # whole, or its headers
    originals = (part.as_bytes() for part in mail.walk() if part.get_content_type() in returned)
    ours = _OUR_ID.findall(next(originals, b""))
    if mail.get_content_type() != "multipart/report" or not ours:
        return None
    message_id = ours[-1].decode("ascii")
    kind = str(mail.get_param("report-type", "")).lower()
    for part in mail.walk():
        what = part.get_content_type()
        if kind == "feedback-report" and what == "message/feedback-report":
            # A reader's word about a mail, which the library reads as text or as a message. `not-spam` (RFC
            # 6430) takes a complaint back, `auth-failure` (RFC 6591) is about our domain, not from a reader.
            content = part.get_payload()
            inner = content[0] if isinstance(content, list) else content
            fields = inner if isinstance(inner, Message) else email.message_from_string(str(inner))
            named = re.fullmatch(r"[a-z-]{1,20}", str(fields.get("Feedback-Type", "")).strip().lower())
            word = named[0] if named else "complaint"
            about_us, taken_back = word == "auth-failure", word == "not-spam"
            meant = None if about_us or taken_back else BounceKind.COMPLAINT
            return Report(message_id, meant, word, is_policy=about_us)
        if kind == "delivery-status" and what == "message/delivery-status":
            for block in part.walk():
                status = re.match(r"\s*(\d)\.(\d{1,3})\.(\d{1,3})", str(block.get("Status", "")))
                action = str(block.get("Action", "")).strip().lower()
                if status is not None and action:
                    return judge_code(message_id, ".".join(status.groups()), failed=action == "failed")
    return None


def judge_code(message_id: str, code: str, *, failed: bool = True) -> Report:
    """What an enhanced status code (RFC 3463) means for the address it was about."""
    if not failed or not code.startswith("5.") or code.startswith(_SOFT):
        return Report(message_id, None, code)
    if is_about_us(code):
        return Report(message_id, None, code, is_policy=True)
    return Report(message_id, BounceKind.HARD, code)


def note_report(session: Session, keys: Keys, report: Report, metrics: Metrics, now: datetime) -> bool:
    """Draw the consequences; whether the report was about a message that we sent."""
    found = find_mail(session, report.message_id)
    if found is None:
        return False
    message, address = found
    if report.is_policy:
        note_trouble(session, "refused", say("delivery.trouble-mail-refused", answer=report.code), now)
    if report.kind is None:
        return True
    metrics.bounces.labels(report.kind.value).inc()
    hashed = suppression.address_hash(keys, address.channel, address.target)
    if suppression.note_bounce(session, hashed, Bounce(report.kind, report.code, message.id), now):
        complained = report.kind is BounceKind.COMPLAINT
        reason = say("delivery.off-complained") if complained else say("delivery.off-bounced")
        if host_state.switch_off(address, reason, now):
            tell_owner(session, address, FailureOutcome.OFF, report.code, Moment(now, now))
    return True


def read_mailbox(path: Path, seen: set[str], note: Callable[[Report], bool]) -> int:
    """Take the reports about our messages out of the mailbox; how many. Other mail stays there.

    seen: names of the mails that were looked at before and left; brought up to date. note: keeps what a
    report says, see `note_report`.
    """
    if not path.exists():
        raise MailboxTrouble(phrase("delivery.mailbox-missing", path=path))
    try:
        box: Box = mailbox.Maildir(path, create=False) if path.is_dir() else mailbox.mbox(path, create=False)
        box.lock()  # against the mail server while it is open
        with contextlib.closing(box):
            return _take_reports(box, seen, note)
    except (OSError, mailbox.Error) as error:
        raise MailboxTrouble(phrase("delivery.mailbox-unreadable", path=path, error=error)) from error


def _take_reports(box: Box, seen: set[str], note: Callable[[Report], bool]) -> int:
    """A report is removed only after what it says is stored; one that is read twice counts once."""
    done, there, left_bytes = [], set(), LOOK_AT_BYTES
    ends_s = time.monotonic() + LOOK_FOR_S
    try:
        for key in list(box.iterkeys()):
            name = key  # of its file; in a file of many how it begins, as no other does
            if not isinstance(box, mailbox.Maildir):
                name = hashlib.sha256(_start(box, key, NAMED_BY_BYTES)).hexdigest()
            there.add(name)
            if name in seen or left_bytes <= 0 or time.monotonic() > ends_s:
                continue
            raw = _start(box, key, HEAD_BYTES)
            if _may_be_report(raw):
                raw = _start(box, key, LARGEST_REPORT_BYTES + 1)
            left_bytes -= len(raw)
            report = read_report(raw)
            if report is not None and note(report):
                done.append(key)
            else:
                seen.add(name)
    finally:
        for key in done:
            box.discard(key)
    seen &= there
    return len(done)


def _start(box: Box, key: str, most_bytes: int) -> bytes:
    with contextlib.closing(box.get_file(key)) as file:
        return bytes(file.read(most_bytes))
