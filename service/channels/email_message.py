"""A mail as it goes over the wire, and the addresses on it."""

from __future__ import annotations

import re
import unicodedata
from email.errors import MessageError
from email.headerregistry import Address, BaseHeader, HeaderRegistry, UnstructuredHeader
from email.message import EmailMessage
from email.policy import SMTP, Policy
from email.utils import parseaddr

from alerts.briefing.facts import Attachment
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from service.channels.model import ChannelError, Outgoing, checked_id

SENDER_NAME = "Duskbell"
LONGEST_LINK = 900
"""A header's line ends at 998 characters (RFC 5322, 2.1.1)."""


class _OneLine(UnstructuredHeader, BaseHeader):
    """A header that is written as it is. The library would encode a long address, and no mail program
    decodes that in a List-Unsubscribe."""

    def fold(self, *, policy: Policy) -> str:
        return f"{self.name}: {self}{policy.linesep}"


_HEADERS = HeaderRegistry()
_HEADERS.map_to_type("list-unsubscribe", _OneLine)
MAIL_POLICY = SMTP.clone(cte_type="7bit", header_factory=_HEADERS)
"""CRLF line ends and nothing beyond ASCII on the wire, so that no relay needs to recode a signed body."""


def sender_address(sender: str) -> Address:
    """`a@b` or `Name <a@b>` as the From address; BadInput when it is neither."""
    name, spec = parseaddr(sender)
    try:
        return Address(display_name=name or SENDER_NAME, addr_spec=spec)
    except (ValueError, IndexError, MessageError) as error:
        raise BadInput(phrase("channels.no-sender", sender=sender)) from error


def check_mail_address(address: str) -> str:
    """The address in its normal, ASCII form; BadInput when it can't be one. Asks no network."""
    from email_validator import EmailNotValidError, validate_email

    try:
        checked = validate_email(address.strip(), check_deliverability=False, test_environment=True)
    except EmailNotValidError as error:
        raise BadInput(phrase("channels.no-mail-address", address=address, error=error)) from error
    if checked.ascii_email is None:
        raise BadInput(phrase("channels.mail-address-letters", address=address))
    return checked.ascii_email


def mail_spellings(address: str) -> tuple[str, ...]:
    """The address in lower case as a row may hold it: its domain in ASCII, and in letters (IDNA)."""
    from email_validator import EmailNotValidError, validate_email

    try:
        checked = validate_email(address.strip(), check_deliverability=False, test_environment=True)
    except EmailNotValidError:
        return (address.strip().lower(),)
    forms = {checked.normalized.lower(), (checked.ascii_email or checked.normalized).lower()}
    return tuple(sorted(forms))


def build_mail(outgoing: Outgoing, sender: Address) -> EmailMessage:
    """The message as RFC 5322 wants it: text and HTML of the same content, its files, one recipient.

    Message-ID comes from the message's id, so that a repeat is recognised as one.
    Raises ChannelError when a header would hold a control or invisible character.
    """
    parts = outgoing.mail
    if parts is None:
        raise ChannelError("no_mail", phrase("channels.no-mail"), permanent=True, ours=True)
    mail = EmailMessage(policy=MAIL_POLICY)
    mail["From"] = sender
    try:
        mail["To"] = Address(addr_spec=_plain(outgoing.address, "recipient").encode("ascii").decode("ascii"))
    except (ValueError, IndexError, MessageError) as error:
        raise ChannelError("address", phrase("channels.recipient-unwritable"), permanent=True) from error
    mail["Subject"] = _plain(parts.subject, "subject")
    mail["Date"] = outgoing.attempted_at
    mail["Message-ID"] = f"<{checked_id(outgoing.message_id)}@{sender.domain}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office answers
    if url := outgoing.unsubscribe_url:
        if len(url) > LONGEST_LINK or re.fullmatch(r"https?://[!-;=?-~]+", url) is None:
            raise ChannelError("header", phrase("channels.unsubscribe-unwritable"), permanent=True, ours=True)
        mail["List-Unsubscribe"] = f"<{url}>"
        if url.startswith("https:"):
            mail["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"  # RFC 8058 wants https
    mail.set_content(parts.text, cte="quoted-printable")
    mail.add_alternative(parts.html, subtype="html", cte="quoted-printable")
    for attachment in parts.attachments:
        _attach(mail, attachment)
    # Boundaries are the same at every attempt. `=_` can stand neither in quoted-printable nor in base64 (RFC
    # 2045, 6.7), so none of them occurs in a body; the library would search all of it for that.
    for number, part in enumerate(part for part in mail.walk() if part.is_multipart()):
        part.set_boundary(f"=_{outgoing.message_id}_{number}")
    return mail


def _attach(mail: EmailMessage, attachment: Attachment) -> None:
    """A picture beside the HTML that shows it, or a file of its own."""
    maintype, _, subtype = attachment.media_type.partition("/")
    name = _plain(attachment.name, "attachment's name")
    if not attachment.content_id:
        charset = {"charset": "utf-8"} if maintype == "text" else None  # RFC 5545, 3.1.4
        mail.add_attachment(attachment.content, maintype, subtype, filename=name, params=charset)
        return
    html = mail.get_body(("related", "html"))
    assert html is not None, "the HTML part was added before"
    content_id = f"<{_plain(attachment.content_id, 'content id')}>"
    html.add_related(
        attachment.content, maintype, subtype, filename=name, cid=content_id, disposition="inline"
    )


def _plain(text: str, what: str) -> str:
    """The text, if nothing in it could end a header or hide; the library lets NUL and bidi marks pass."""
    if any(
        unicodedata.category(char) in {"Cc", "Cf", "Cs", "Zl", "Zp"} and char != "\u200d" for char in text
    ):
        raise ChannelError("header", phrase("channels.header-control", what=what), permanent=True, ours=True)
    return text
