"""E-mail: one message to one recipient over SMTP, or as an `.eml` file where there is no mail server.

The 250 after DATA is the success; nothing after it counts. A connection that breaks between the end of
the data and that answer leaves the message in doubt, and is reported as `maybe_sent`. Each message has a
connection of its own, so that nothing that went wrong in one leaks into another.

What a refusal speaks of is judged by the step, the reply and its enhanced code. Reply codes are those of RFC
5321 (4.2.3) and RFC 4954 (login), enhanced codes those of RFC 3463 with the later entries of IANA's register.
A server may hold back what it thinks of the sender until the recipient is named, so at that step the enhanced
code decides who is meant.
"""

from __future__ import annotations

import contextlib
import os
import re
import smtplib
import socket
import ssl
import tempfile
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Literal, cast

from alerts.common.phrases import Phrase, phrase
from service.channels.email_message import MAIL_POLICY, build_mail, check_mail_address, sender_address
from service.channels.model import ChannelError, ContentForm, Outgoing, SendResult, answer_start, readable
from service.common.connect import ProxyFault, connect_first, look_up, open_tunnel, secure, trusting
from service.common.deadline import SocketTimer
from service.common.outbound_proxy import Proxy


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


QUIT_TIMEOUT_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MailServer:
    """The relay that takes our mail.

    security: "starttls" (refused if the relay doesn't offer it), "tls" from the start, or "none".
    step_timeout_s: for each answer.  whole_timeout_s: for the whole send, however it drips.
    ca_file: certificate authorities to trust in place of the system's.
    proxy: on the way out; it is asked for a tunnel to the relay by its name.
    """

    host: str
    port: int = 587
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str = ""
    password: str = field(default="", repr=False)
    step_timeout_s: float = 15.0
    whole_timeout_s: float = 60.0
    ca_file: str | None = None
    proxy: Proxy | None = None

    def timer(self) -> SocketTimer:
        """For one talk with it, from now on."""
        step_s = self.step_timeout_s
        return SocketTimer(self.whole_timeout_s, connect_s=step_s, step_s=step_s)


class Email:
    """Sends mail through a relay, one connection a message.

    return_path: where mail that can't be delivered comes back to; "" means the sender's address.
    """

    form = ContentForm.MAIL
    kind = "email"

    def __init__(self, server: MailServer, sender: str, *, return_path: str = "") -> None:
        self._server = server
        self._sender = sender_address(sender)
        self._return_path = sender_address(return_path).addr_spec if return_path else self._sender.addr_spec

    def check_address(self, address: str) -> str:
        return check_mail_address(address)

    def destination(self, address: str) -> str:
        """The relay: all mail goes through it."""
        return f"relay {self._server.host}:{self._server.port}"

    def send(self, outgoing: Outgoing) -> SendResult:
        content = build_mail(outgoing, self._sender).as_bytes(policy=MAIL_POLICY)
        with self._server.timer() as timer:
            relay = _Relay(self._server, self._sender.domain, timer)
            return relay.deliver(self._return_path, outgoing.address, content)


def try_relay(server: MailServer, sender: str, return_path: str = "") -> None:
    """Greet the relay, secure the line, log in, name the sender, and leave without a message; ChannelError
    says what doesn't work."""
    domain, sent_from = sender_address(sender).domain, sender_address(return_path or sender).addr_spec
    with server.timer() as timer:
        _Relay(server, domain, timer).try_sender(sent_from)


class OutboxFolder:
    """Writes each message as an `.eml` file, for installations without a mail server.

    The name is the message's id: a repeat replaces its file by the same content.
    """

    form = ContentForm.MAIL
    kind = "email"

    def __init__(self, folder: Path, sender: str) -> None:
        self._folder = folder
        self._sender = sender_address(sender)

    def check_address(self, address: str) -> str:
        return check_mail_address(address)

    def destination(self, address: str) -> str:
        """The folder: all mail goes into it."""
        return f"outbox {self._folder}"

    def send(self, outgoing: Outgoing) -> SendResult:
        """Write it whole or not at all."""
        mail = build_mail(outgoing, self._sender)
        path = self._folder / f"{outgoing.message_id}.eml"
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            replace_file(path, mail.as_bytes(policy=MAIL_POLICY))
        except OSError as error:
            raise ChannelError(
                "outbox", phrase("channels.outbox-unwritable", path=path, strerror=error.strerror), ours=True
            ) from error
        return SendResult("file", place=str(path))


def replace_file(path: Path, content: bytes) -> None:
    """Write beside, flush to the disk, rename: a reader sees the whole old file or the whole new one."""
    handle, beside = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


class _Relay(smtplib.SMTP):
    """One SMTP conversation, step by step, so that it is known how far it came. Its socket lives under the
    timer from its first byte."""

    def __init__(self, server: MailServer, own_name: str, timer: SocketTimer) -> None:
        """Greeted, secured and logged in, ready for a message; ChannelError when that can't be had."""
        self._server, self._timer = server, timer
        try:
            super().__init__(server.host, server.port, own_name, timeout=server.step_timeout_s)
            self.ehlo_or_helo_if_needed()
            if server.security == "starttls":
                self.starttls(context=cast(ssl.SSLContext, self))
                self.ehlo()
            if server.user:
                self.login(server.user, server.password)
        except (smtplib.SMTPException, OSError, UnicodeError) as error:
            self.close()
            raise _setup_error(error, timer) from error

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        proxy = self._server.proxy
        if proxy is not None and proxy.leads_to(host):
            sock = open_tunnel(proxy, host, port, self._timer)
        else:
            found = look_up(host, port, self._timer.left_s)
            sock, _ = connect_first(found, self._timer)
        return self.wrap_socket(sock, host) if self._server.security == "tls" else sock

    def wrap_socket(self, sock: socket.socket, server_hostname: str) -> ssl.SSLSocket:
        """TLS by our authorities, also inside of TLS to a proxy; `starttls` takes us for a context."""
        return secure(sock, trusting(self._server.ca_file), server_hostname)

    def deliver(self, sender: str, recipient: str, content: bytes) -> SendResult:
        """MAIL, RCPT and DATA up to the relay's "go ahead", then the content and the dot; from there on a
        break leaves the message in doubt."""
        step, is_offered = SmtpStep.SENDER, False
        try:
            try:
                _expect(self.mail(sender), 200, step)
                step = SmtpStep.RECIPIENT
                _expect(self.rcpt(recipient), 200, step)
                step = SmtpStep.CONTENT
                _expect(self.docmd("data"), 300, step)
                is_offered = True
                self.send(re.sub(rb"(?m)^\.", b"..", content) + b".\r\n")  # RFC 5321 4.5.2
                code, reply = self.getreply()
            except (smtplib.SMTPException, OSError) as error:
                is_ours = step is SmtpStep.SENDER
                raise _broken(error, self._timer, maybe_sent=is_offered, ours=is_ours) from error
            if self._timer.fired or not 200 <= code < 600:
                cut_off = smtplib.SMTPException(phrase("channels.reply-cut-off"))
                raise _broken(cut_off, self._timer, maybe_sent=True)
            _expect((code, reply), 200, step)
        except BaseException:
            self.close()
            raise
        self._leave()
        return SendResult(str(code), _text(reply))

    def try_sender(self, sender: str) -> None:
        """Whether a message from that sender would be listened to."""
        try:
            _expect(self.mail(sender), 200, SmtpStep.SENDER)
        except (smtplib.SMTPException, OSError) as error:
            raise _broken(error, self._timer, maybe_sent=False, ours=True) from error
        finally:
            self._leave()

    def _leave(self) -> None:
        """Say goodbye. The message has been taken, so what happens here changes nothing."""
        with contextlib.suppress(smtplib.SMTPException, OSError):
            if self.sock is not None:
                self.sock.settimeout(QUIT_TIMEOUT_S)
            self.quit()
        self.close()


def _expect(reply: tuple[int, bytes], hundred: int, step: SmtpStep) -> None:
    """Go on if the reply is of that hundred; else ChannelError."""
    code, text = reply[0], _text(reply[1])
    if hundred <= code < hundred + 100:
        return
    refusal, enhanced, setup = judge_refusal(step, code, text), read_enhanced(text), code in SETUP_CODES
    raise ChannelError(
        f"{code} {enhanced}" if enhanced else str(code),
        phrase("channels.smtp-answered", code=code, text=text),
        permanent=refusal in (Refusal.ADDRESS, Refusal.MESSAGE),
        ours=setup or step is SmtpStep.SENDER,
        refuses_us=refusal is Refusal.US and code >= 500 and not setup,
        bad_address=refusal is Refusal.ADDRESS,
    )


def _setup_error(error: Exception, timer: SocketTimer) -> ChannelError:
    """No session with the relay: nothing was sent, and it is for the operator to mend."""
    if timer.fired:
        return _broken(error, timer, maybe_sent=False, ours=True)
    if isinstance(error, smtplib.SMTPResponseException):
        reply = _text(error.smtp_error)
        is_final = 500 <= error.smtp_code < 600
        return ChannelError(
            str(error.smtp_code),
            phrase("channels.smtp-login-answered", reply=reply),
            ours=True,
            refuses_us=is_final,
        )
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return ChannelError(
            "not_offered", phrase("channels.smtp-not-offered", error=readable(str(error))), ours=True
        )
    if isinstance(error, ProxyFault):
        return ChannelError("proxy", error.args[0], ours=True)
    if isinstance(error, ssl.SSLError):
        return ChannelError("tls", phrase("channels.smtp-tls", error=readable(str(error))), ours=True)
    return _broken(error, timer, maybe_sent=False, ours=True)


def _broken(error: Exception, timer: SocketTimer, *, maybe_sent: bool, ours: bool = False) -> ChannelError:
    timed_out = isinstance(error, TimeoutError) or isinstance(error.__context__, TimeoutError)
    if timer.fired or timed_out:
        return ChannelError("timeout", phrase("channels.smtp-slow"), maybe_sent=maybe_sent, ours=ours)
    return ChannelError(
        "broken", phrase("channels.smtp-broken", error=readable(str(error))), maybe_sent=maybe_sent, ours=ours
    )


def _text(reply: bytes | str) -> str:
    """The start of a reply, on one line."""
    return answer_start(reply if isinstance(reply, bytes) else reply.encode())
