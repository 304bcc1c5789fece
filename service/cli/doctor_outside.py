"""What `duskbell doctor` finds outside this machine: network, feeds and mail."""

from __future__ import annotations

import os
import ssl
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from email.utils import parseaddr
from functools import partial
from urllib.parse import urlsplit

import dns.exception
import dns.resolver
from sqlalchemy.orm import Session

from alerts.common.phrases import say
from service.channels.channel_registry import relay_of
from service.channels.email import relay_advice, try_relay
from service.channels.model import ChannelError
from service.common.backoff import Breaker, BreakerState
from service.common.clock import real_clock
from service.common.connect import ProxyFault, has_authorities, look_up, open_tunnel, secure, trusting
from service.common.deadline import SocketTimer
from service.common.outbound_proxy import Proxy
from service.feeds.feed_health import FeedHealth, breaker_phrase, feed_health, sites_carried
from service.feeds.feed_wiring import feeds_from
from service.feeds.open_meteo.client import FREE_URL
from service.feeds.open_meteo.place_batches import LEVELS_FROM_M
from service.settings import Settings
from service.store.engine import open_engine
from service.store.migrate import current_revision, head_revision
from service.store.repositories.subscriptions import watched_sites


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """One thing looked at. level: ok, note (works, but know this) or wrong (something won't work). code: of
    what keeps a go from being told (alerts/judging/obstacles.py), "" of all else."""

    level: str
    about: str
    text: str
    code: str = ""


ok, note, wrong = (partial(Diagnosis, level) for level in ("ok", "note", "wrong"))
WITHIN_S = 8.0
OF_THE_ENVIRONMENT = ("HTTPS_PROXY", "HTTP_PROXY", "ALL_PROXY")


def examine_network(settings: Settings) -> Iterator[Diagnosis]:
    """All findings about the way out. Through a proxy a feed's host is greeted, and nothing asked of it."""
    if not has_authorities():
        yield wrong("network", say("cli-doctor.no-authorities"))
    named = [name for name in OF_THE_ENVIRONMENT if os.environ.get(name) or os.environ.get(name.lower())]
    if named:
        yield note("network", say("cli-doctor.proxy-environment", named=", ".join(named)))
    if settings.proxy is None:
        yield ok("network", say("cli-doctor.proxy-none"))
    else:
        yield from _through(settings.proxy, settings)


def _through(proxy: Proxy, settings: Settings) -> Iterator[Diagnosis]:
    """What the first feed's host that is asked through it by https makes of us, called as feeds are and then
    as webhooks are."""
    on = (
        (settings.met_norway, settings.met_norway_url),
        (settings.nws, settings.nws_url),
        (settings.uses_open_meteo, settings.open_meteo_url or FREE_URL),
    )
    called = [
        (parts.hostname, parts.port or 443)
        for parts in (urlsplit(base) for is_on, base in on if is_on)
        if parts.scheme == "https" and parts.hostname and proxy.leads_to(parts.hostname)
    ]
    if not called:
        yield note("network", say("cli-doctor.proxy-untried", place=proxy.place))
        return
    host, port = called[0]
    if (trouble := _trouble(proxy, host, host, port)) is not None:
        yield wrong("network", trouble)
        return
    yield ok("network", say("cli-doctor.proxy-leads", place=proxy.place, host=host, port=port))
    try:
        address = str(look_up(host, port, WITHIN_S)[0][4][0])
    except OSError:
        yield note("network", say("cli-doctor.proxy-no-lookup", host=host))
        return
    if (trouble := _trouble(proxy, address, host, port)) is not None:
        yield note("network", say("cli-doctor.proxy-by-address", trouble=trouble))


def _trouble(proxy: Proxy, called: str, name: str, port: int) -> str | None:
    """What keeps us from a checked connection to that host, and what to do; None when nothing does."""
    with SocketTimer(WITHIN_S, connect_s=WITHIN_S / 2, step_s=WITHIN_S / 2) as timer:
        try:
            sock = open_tunnel(proxy, called, port, timer)
            secure(sock, trusting(), name).close()
        except ProxyFault as error:
            return f"{proxy.place}: {error}"
        except ssl.SSLCertVerificationError as error:
            reason = error.verify_message
            return say("cli-doctor.proxy-opens-tls", name=name, place=proxy.place, verify_message=reason)
        except OSError as error:
            return say("cli-doctor.proxy-silent", name=name, place=proxy.place, error=error)
    return None


def examine_feeds(settings: Settings) -> Iterator[Diagnosis]:
    """Each feed's state; a feed that refuses us is wrong until an operator acts."""
    engine, watched = open_engine(settings.store_url), 0
    if current_revision(engine) == head_revision():
        with Session(engine) as session:
            found = feed_health(settings, session, real_clock())
            watched = watched_sites(session, real_clock())
    else:
        found = [FeedHealth(feed.name, feed.off_because, Breaker()) for feed in feeds_from(settings)]
    engine.dispose()
    for each in found:
        if each.off_because is None and each.breaker.state is BreakerState.SHUT:
            state = breaker_phrase(each.breaker)
            yield wrong("feed", say("cli-doctor.feed-shut", feed=each.feed, state=state))
        else:
            level = "ok" if each.is_well and not each.breaker.failures else "note"
            yield Diagnosis(level, "feed", f"{each.feed}: {each.what}")
    # how many sites the day's allowance carries against those watched; nothing where it has no end
    near, far = (sites_carried(settings, near=near) for near in (True, False))
    if near is None or far is None or not settings.uses_open_meteo:
        return
    high = sites_carried(settings, near=True, high=True)
    key = "cli-doctor.feeds-carry" if high == near else "cli-doctor.feeds-carry-high"
    text = say(key, near=near, far=far, watched=watched, high=high, levels_from_m=LEVELS_FROM_M)
    if watched > near:
        text = say("cli-doctor.feeds-carry-more", carried=text)
    yield Diagnosis("note" if watched > near else "ok", "feed", text)


FindTexts = Callable[[str], Sequence[str]]
"""The TXT records of a name; empty when it has none. Raises OSError when nobody could be asked."""
DNS_WITHIN_S = 3.0
RELAY_WITHIN_S = 8.0


def examine_mail(settings: Settings, find_texts: FindTexts | None = None) -> Iterator[Diagnosis]:
    """All findings about mail; the relay is greeted, secured, logged in to and told the sender, and no mail
    is sent."""
    if not settings.smtp_host:
        yield note("mail", say("cli-doctor.mail-outbox", outbox=settings.outbox))
        return
    yield from _relay(settings)
    yield from _sender(settings, find_texts or ask_dns)
    if settings.public_url.startswith("https://"):
        yield ok("links", say("cli-doctor.one-click"))
    else:
        yield note("links", say("cli-doctor.one-click-plain", public_url=settings.public_url))
    box = settings.bounce_mailbox
    if box is not None and not box.exists():
        yield wrong("bounces", say("cli-doctor.bounces-missing", box=box))
    elif box is not None:
        yield ok("bounces", say("cli-doctor.bounces-read", box=box))
    elif settings.relay_hook_key is not None:
        yield ok("bounces", say("cli-doctor.bounces-relay", public_url=settings.public_url))
    else:
        yield note("bounces", say("cli-doctor.bounces-unseen"))


def _relay(settings: Settings) -> Iterator[Diagnosis]:
    """What the channel itself would do, up to the point where a message would follow."""
    relay = relay_of(settings)
    assert relay is not None, "a relay is set"
    where = f"{settings.smtp_host}:{settings.smtp_port}"
    server = replace(relay, step_timeout_s=RELAY_WITHIN_S / 2, whole_timeout_s=RELAY_WITHIN_S)
    try:
        try_relay(server, settings.mail_from, settings.mail_return_path)
    except ChannelError as error:
        yield wrong("mail", f"{where}: {error.text}. {relay_advice(error.code)}")
        return
    key = "cli-doctor.relay-plain" if settings.smtp_security == "none" else "cli-doctor.relay-well"
    yield ok("mail", say(key, relay=where, user=settings.smtp_user))
    if settings.smtp_security == "none" and settings.smtp_host not in ("localhost", "127.0.0.1", "::1"):
        yield note("mail", say("cli-doctor.mail-plain"))


def _sender(settings: Settings, find_texts: FindTexts) -> Iterator[Diagnosis]:
    """SPF of the envelope's domain and DMARC of the From domain, and whether the two agree."""
    shown = _domain(settings.mail_from)
    envelope = _domain(settings.mail_return_path) or shown
    if shown.endswith((".localdomain", ".local", ".invalid", ".example")) or "." not in shown:
        yield wrong("sender", say("cli-doctor.mail-from", shown=shown))
        return
    # relaxed alignment (RFC 7489), taking the shorter name for the organisation's
    if shown != envelope and not shown.endswith(f".{envelope}") and not envelope.endswith(f".{shown}"):
        yield note("sender", say("cli-doctor.spf-other-domain", envelope=envelope, shown=shown))
    try:
        spf = [text for text in find_texts(envelope) if text.lower().startswith("v=spf1")]
        dmarc = [text for text in find_texts(f"_dmarc.{shown}") if text.lower().startswith("v=dmarc1")]
    except OSError as error:
        yield note("sender", say("cli-doctor.dns-failed", shown=shown, error=error))
        return
    if len(spf) == 1:
        yield ok("sender", say("cli-doctor.spf-well", envelope=envelope))
    elif spf:
        yield wrong("sender", say("cli-doctor.spf-many", envelope=envelope, count=len(spf)))
    else:
        yield note("sender", say("cli-doctor.spf-none", envelope=envelope))
    if dmarc:
        yield ok("sender", say("cli-doctor.dmarc-well", shown=shown))
    else:
        yield note("sender", say("cli-doctor.dmarc-none", shown=shown))
    yield note("sender", say("cli-doctor.dkim"))


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
