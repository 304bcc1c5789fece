"""What all channels share: what goes in, what comes back, and the one error they raise.

A channel sends one message to one address, once. It never waits, repeats or decides whether to try
again: that is `retry_policy.py`, fed with the error's facts.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import KW_ONLY, dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Protocol

from alerts.briefing.facts import MailParts
from alerts.common.errors import DuskbellError
from alerts.common.phrases import Phrase, phrase

ANSWER_KEPT_BYTES = 500
"""How much of a receiver's answer is kept with an attempt."""


def readable(text: str) -> str:
    """On one line; what nobody sees, or what a terminal or a database chokes on (NUL), is shown as U+FFFD."""
    line = " ".join(text.split())
    return "".join("\ufffd" if unicodedata.category(char) in {"Cc", "Cf"} else char for char in line)


def answer_start(raw: bytes) -> str:
    """The start of a receiver's answer, as it is kept."""
    return readable(raw[:ANSWER_KEPT_BYTES].decode("utf-8", "replace"))


class ContentForm(StrEnum):
    """What a channel sends, so that only this is rendered."""

    MAIL = "mail"
    PAYLOAD = "payload"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """One message to one address, at one attempt.

    message_id: the same over all attempts; receivers drop repeats by it.
    address: a mail address or a webhook URL.
    attempted_at: real UTC time of this attempt; goes into Date and webhook-timestamp.
    mail or payload: the one that the channel's `form` names.
    secrets: signing secrets of a webhook (`whsec_…`), newest first; two during a rotation.
    unsubscribe_url: https address that takes a one-click POST (RFC 8058).
    """

    message_id: str
    address: str
    attempted_at: datetime
    mail: MailParts | None = None
    payload: Mapping[str, object] | None = None
    secrets: tuple[str, ...] = ()
    unsubscribe_url: str | None = None


@dataclass(frozen=True, slots=True)
class SendResult:
    """A message was taken. code: the receiver's ("250", "204"); text: the start of its answer;
    place: where the message lies now, if that is a file on this machine."""

    code: str
    text: str = ""
    place: str = ""


@dataclass(eq=False, repr=False)
class ChannelError(DuskbellError):
    """A message wasn't taken, or may not have been.

    code: the receiver's ("451 4.7.1", "503") or a word of ours ("timeout", "refused", "blocked").
    what: what says it, a library's or receiver's words in it made readable. text: its words. said: all of it.
    permanent: no other attempt can help.
    retry_after: how long the receiver asks us to wait.
    maybe_sent: the message may have arrived all the same.
    gone: the address says that it doesn't exist any more; switch it off.
    ours: the fault is in this installation (login, sender, settings), not in the address.
    refuses_us: refused for who we are or what we send; the operator is to be told.
    bad_address: a mail server says that there is no such mailbox.
    """

    code: str
    what: Phrase | str
    _: KW_ONLY
    permanent: bool = False
    retry_after: timedelta | None = None
    maybe_sent: bool = False
    gone: bool = False
    ours: bool = False
    refuses_us: bool = False
    bad_address: bool = False

    def __post_init__(self) -> None:
        self.text = readable(str(self.what))
        what = self.what if isinstance(self.what, Phrase) else self.text
        self.said = phrase("channels.not-taken", code=self.code, what=what)
        super().__init__(f"{self.code}: {self.text}")


def checked_id(message_id: str) -> str:
    """The id, if it can stand in a header and in a file's name; ChannelError when it can't."""
    if re.fullmatch(r"[A-Za-z0-9_-]{1,64}", message_id) is None:
        raise ChannelError("bad_id", phrase("channels.odd-id"), permanent=True, ours=True)
    return message_id


class Channel(Protocol):
    """One way to reach people. Implementations are safe to use from several threads."""

    @property
    def form(self) -> ContentForm: ...

    @property
    def kind(self) -> str:
        """The schedule it follows: "email" or "webhook"."""
        ...

    def destination(self, address: str) -> str:
        """What shares its fate with this address: the host it names, or the relay. A breaker's key."""
        ...

    def check_address(self, address: str) -> str:
        """The address as it is stored; BadInput when this channel can't send to it."""
        ...

    def send(self, outgoing: Outgoing) -> SendResult:
        """Send it once; raise ChannelError when it wasn't taken."""
        ...
