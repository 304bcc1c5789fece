"""Mails that come back: read from a mailbox or reported by the relay, believed only about our own.

A report counts if it names the id of a message that this installation sent (128 random bits that only
its reader and the relay have seen), and it counts against the address that message went to, whatever
address the report names. Reports: delivery status notifications (RFC 3464, with the status codes of
RFC 3463) and feedback reports of complaints (RFC 5965).
"""

from __future__ import annotations

import contextlib
import email
import logging
import mailbox
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from email.message import Message
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from alerts.errors import DuskbellError
from service.cycle.recording import tell_owner
from service.keys import Keys
from service.metrics import Metrics
from service.store import endpoints, suppression, tables
from service.store.endpoints import Turn
from service.store.suppression import BounceKind
from service.store.troubles import note_trouble

log = logging.getLogger(__name__)

Box = mailbox.Maildir | mailbox.mbox
LARGEST_REPORT_BYTES = 512 * 1024
_OUR_ID = re.compile(rb"(?im)^(?:X-)?(?:Original-)?Message-ID:[ \t\r\n]*<(msg_[a-z0-9]{26})@[^>\r\n]*>")
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
    """The report in a mail; None when it is no report about a message of ours."""
    if len(raw) > LARGEST_REPORT_BYTES:
        return None
    mail = email.message_from_bytes(raw)
    ours = _OUR_ID.findall(_original(mail))
    if mail.get_content_type() != "multipart/report" or not ours:
        return None
    message_id = ours[-1].decode("ascii")
    kind = str(mail.get_param("report-type", "")).lower()
    if kind == "feedback-report":
        return _feedback(mail, message_id)
    return _status(mail, message_id) if kind == "delivery-status" else None


def _original(mail: Message) -> bytes:
    """The part of the report that holds the returned mail, or its headers."""
    for part in mail.walk():
        if part.get_content_type() in ("message/rfc822", "text/rfc822-headers", "message/rfc822-headers"):
            return part.as_bytes()
    return b""


def _feedback(mail: Message, message_id: str) -> Report | None:
    """A reader's word about a mail. `not-spam` (RFC 6430) takes a complaint back, and `auth-failure`
    (RFC 6591) is about our domain, not from a reader."""
    for part in mail.walk():
        if part.get_content_type() != "message/feedback-report":
            continue
        fields = email.message_from_string(_inside(part))
        named = re.fullmatch(r"[a-z-]{1,20}", str(fields.get("Feedback-Type", "")).strip().lower())
        word = named[0] if named else "complaint"
        if word == "auth-failure":
            return Report(message_id, None, word, is_policy=True)
        return Report(message_id, None if word == "not-spam" else BounceKind.COMPLAINT, word)
    return None


def _inside(part: Message) -> str:
    """The fields of a report's second part, which the library reads as text or as a message."""
    content = part.get_payload()
    inner = content[0] if isinstance(content, list) else content
    return inner.as_string() if isinstance(inner, Message) else str(inner)


def _status(mail: Message, message_id: str) -> Report | None:
    for part in mail.walk():
        if part.get_content_type() != "message/delivery-status":
            continue
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
    if code.startswith("5.7."):
        return Report(message_id, None, code, is_policy=True)
    return Report(message_id, BounceKind.HARD, code)


def note_report(session: Session, keys: Keys, report: Report, metrics: Metrics, now: datetime) -> bool:
    """Draw the consequences; whether the report was about a message that we sent."""
    found = session.execute(
        select(tables.Message, tables.Address)
        .join(tables.Address, tables.Address.id == tables.Message.address_id)
        .where(tables.Message.id == report.message_id, tables.Address.channel == "email")
    ).first()
    if found is None:
        return False
    message, address = found
    if report.is_policy:
        note_trouble(session, "refused", f"Mail was refused for a reason on this side: {report.code}.", now)
    if report.kind is None:
        return True
    metrics.bounces.labels(report.kind.value).inc()
    hashed = suppression.address_hash(keys, address.channel, address.target)
    if suppression.note_bounce(session, hashed, report.kind, report.code, message.id, now):
        complained = report.kind is BounceKind.COMPLAINT
        reason = "its reader complained" if complained else "mail to it comes back"
        if endpoints.switch_off(address, reason, now):
            tell_owner(session, address, Turn.OFF, report.code, now=now, wall=now)
    return True


def read_mailbox(
    sessions: sessionmaker[Session], keys: Keys, metrics: Metrics, path: Path, now: datetime
) -> int:
    """Take the reports about our messages out of the mailbox; how many. Other mail stays there, unread."""
    if not path.exists():
        raise MailboxTrouble(f"the bounce mailbox {path} isn't there; check the setting bounce_mailbox.")
    try:
        with _opened(path) as box:
            return _take_reports(sessions, keys, metrics, box, now)
    except (OSError, mailbox.Error) as error:
        raise MailboxTrouble(f"the bounce mailbox {path} can't be read: {error}") from error


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Box]:
    """A Maildir for a folder, an mbox for a file; locked against the mail server while it is open."""
    box = mailbox.Maildir(path, create=False) if path.is_dir() else mailbox.mbox(path, create=False)
    box.lock()
    try:
        yield box
    finally:
        box.close()


def _take_reports(
    sessions: sessionmaker[Session], keys: Keys, metrics: Metrics, box: Box, now: datetime
) -> int:
    """A report is removed only after what it says is stored; one that is read twice counts once."""
    done = []
    for key in list(box.iterkeys()):
        report = read_report(box.get_bytes(key))
        if report is None:
            continue
        with sessions.begin() as session:
            if not note_report(session, keys, report, metrics, now):
                continue
        done.append(key)
    for key in done:
        box.discard(key)
    return len(done)
