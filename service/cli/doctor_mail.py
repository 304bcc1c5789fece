"""The doctor's look at mail: does the relay answer and take us, and will receivers believe the sender."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from email.utils import parseaddr

import dns.exception
import dns.resolver

from service.channels.channel_registry import wiring_from
from service.channels.email import try_relay
from service.channels.model import ChannelError
from service.channels.smtp_replies import relay_advice
from service.cli.doctor_model import Finding
from service.settings import Settings

FindTexts = Callable[[str], Sequence[str]]
"""The TXT records of a name; empty when it has none. Raises OSError when nobody could be asked."""
DNS_WITHIN_S = 3.0
RELAY_WITHIN_S = 8.0


def examine_mail(settings: Settings, find_texts: FindTexts | None = None) -> Iterator[Finding]:
    """All findings about mail; the relay is greeted, secured, logged in to and told the sender, and no mail
    is sent."""
    if not settings.smtp_host:
        yield Finding("note", "mail", f"no relay is set; mail is written as .eml files to {settings.outbox}")
        return
    yield from _relay(settings)
    yield from _sender(settings, find_texts or ask_dns)
    yield from _links(settings)
    yield from _bounces(settings)


def _relay(settings: Settings) -> Iterator[Finding]:
    """What the channel itself would do, up to the point where a message would follow."""

    wiring = wiring_from(settings)
    assert wiring.mail_server is not None, "a relay is set"
    where = f"{settings.smtp_host}:{settings.smtp_port}"
    server = replace(wiring.mail_server, step_timeout_s=RELAY_WITHIN_S / 2, whole_timeout_s=RELAY_WITHIN_S)
    try:
        try_relay(server, settings.mail_from, settings.mail_return_path)
    except ChannelError as error:
        yield Finding("wrong", "mail", f"{where}: {error.text}. {relay_advice(error.code)}")
        return
    secured = "in the clear" if settings.smtp_security == "none" else "over a checked TLS connection"
    login = f", logged in as {settings.smtp_user}" if settings.smtp_user else ""
    yield Finding("ok", "mail", f"{where} answers {secured}{login}")
    if settings.smtp_security == "none" and settings.smtp_host not in ("localhost", "127.0.0.1", "::1"):
        yield Finding(
            "note", "mail", "mail leaves this machine unprotected; set smtp_security to starttls or tls"
        )


def _sender(settings: Settings, find_texts: FindTexts) -> Iterator[Finding]:
    """SPF of the envelope's domain and DMARC of the From domain, and whether the two agree."""
    shown = _domain(settings.mail_from)
    envelope = _domain(settings.mail_return_path) or shown
    if shown.endswith((".localdomain", ".local", ".invalid", ".example")) or "." not in shown:
        yield Finding(
            "wrong", "sender", f"nobody takes mail from {shown}; set mail_from to an address of yours"
        )
        return
    if not _aligned(shown, envelope):
        text = f"bounces go to {envelope}, mail is from {shown}: SPF can't vouch for it; DKIM has to"
        yield Finding("note", "sender", text)
    try:
        spf = [text for text in find_texts(envelope) if text.lower().startswith("v=spf1")]
        dmarc = [text for text in find_texts(f"_dmarc.{shown}") if text.lower().startswith("v=dmarc1")]
    except OSError as error:
        yield Finding("note", "sender", f"the records of {shown} couldn't be looked up ({error})")
        return
    yield _spf(envelope, spf)
    if dmarc:
        yield Finding("ok", "sender", f"{shown} has a DMARC record")
    else:
        text = f'{shown} has no DMARC record; large providers want one, "v=DMARC1; p=none" is enough'
        yield Finding("note", "sender", text)
    yield Finding("note", "sender", "DKIM is the relay's: send yourself a mail and look for dkim=pass in it")


def _spf(envelope: str, found: Sequence[str]) -> Finding:
    if len(found) == 1:
        return Finding("ok", "sender", f"{envelope} has an SPF record; it must name the relay")
    if found:
        return Finding("wrong", "sender", f"{envelope} has {len(found)} SPF records; only one may exist")
    return Finding("note", "sender", f"{envelope} has no SPF record; mail may be taken for spam")


def _aligned(shown: str, envelope: str) -> bool:
    """Relaxed alignment (RFC 7489), taking the shorter name for the organisation's: one domain is the
    other or lies below it."""
    return shown == envelope or shown.endswith("." + envelope) or envelope.endswith("." + shown)


def _links(settings: Settings) -> Iterator[Finding]:
    if settings.public_url.startswith("https://"):
        yield Finding("ok", "links", "mail can be stopped with one click (RFC 8058)")
    else:
        text = (
            f"public_url is {settings.public_url}: mail programs offer one-click unsubscribing for https only"
        )
        yield Finding("note", "links", text)


def _bounces(settings: Settings) -> Iterator[Finding]:
    box = settings.bounce_mailbox
    if box is not None and not box.exists():
        yield Finding("wrong", "bounces", f"the bounce mailbox {box} isn't there; check bounce_mailbox")
    elif box is not None:
        yield Finding("ok", "bounces", f"read from {box} every five minutes")
    elif settings.relay_hook_key is not None:
        yield Finding("ok", "bounces", f"taken from the relay at {settings.public_url}/relay/bounces")
    else:
        text = "mail that comes back later goes unseen; set bounce_mailbox or relay_hook_key"
        yield Finding("note", "bounces", text)


def _domain(address: str) -> str:
    return parseaddr(address)[1].rpartition("@")[2].lower()


def ask_dns(name: str) -> Sequence[str]:
    """The TXT records of a name, from the system's resolver."""
    try:
        answer = dns.resolver.resolve(name, "TXT", lifetime=DNS_WITHIN_S)
    except (dns.resolver.NXDOMAIN, dns.resolver.NoAnswer):
        return []
    except dns.exception.DNSException as error:
        raise OSError(type(error).__name__) from error
    return [b"".join(record.strings).decode("utf-8", "replace") for record in answer]
