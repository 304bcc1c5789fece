"""The doctor's look at the way out: whom this system trusts, and whether the proxy leads anywhere."""

from __future__ import annotations

import os
import ssl
from collections.abc import Iterator
from urllib.parse import urlsplit

from service.cli.doctor_model import Finding
from service.common.connect import ProxyFault, look_up, open_tunnel
from service.common.deadline import SocketTimer
from service.common.outbound_proxy import Proxy
from service.common.trust_store import has_authorities, secure, trusting
from service.feeds.open_meteo.client import FREE_URL
from service.settings import Settings

WITHIN_S = 8.0
OF_THE_ENVIRONMENT = ("HTTPS_PROXY", "HTTP_PROXY", "ALL_PROXY")


def examine_network(settings: Settings) -> Iterator[Finding]:
    """All findings about the way out. Through a proxy a feed's host is greeted, and nothing asked of it."""
    if not has_authorities():
        text = (
            "this system trusts no certificate authority, so no https works: install ca-certificates, or "
            "name a file of them in SSL_CERT_FILE"
        )
        yield Finding("wrong", "network", text)
    named = [name for name in OF_THE_ENVIRONMENT if os.environ.get(name) or os.environ.get(name.lower())]
    if named:
        text = f"{', '.join(named)} of the environment is not used; the proxy is what outbound_proxy says"
        yield Finding("note", "network", text)
    if settings.proxy is None:
        yield Finding("ok", "network", "feeds, webhooks and mail go out without a proxy")
    else:
        yield from _through(settings.proxy, settings)


def _through(proxy: Proxy, settings: Settings) -> Iterator[Finding]:
    """What one feed's host makes of us, called as feeds are and then as webhooks are."""
    called = _a_feed(proxy, settings)
    if called is None:
        yield Finding("note", "network", f"{proxy.place} isn't tried: no feed that is on lies behind it")
        return
    host, port = called
    if (trouble := _trouble(proxy, host, host, port)) is not None:
        yield Finding("wrong", "network", trouble)
        return
    yield Finding("ok", "network", f"{proxy.place} leads to {host}:{port} over checked TLS")
    try:
        address = str(look_up(host, port, WITHIN_S)[0][4][0])
    except OSError:
        text = (
            f"{host} can't be looked up here. Feeds and mail leave that to the proxy; webhooks and chats "
            "fail, as their addresses are checked before they are called"
        )
        yield Finding("note", "network", text)
        return
    if (trouble := _trouble(proxy, address, host, port)) is not None:
        text = f"webhooks and chats are called by their checked address, not by name: {trouble}"
        yield Finding("note", "network", text)


def _a_feed(proxy: Proxy, settings: Settings) -> tuple[str, int] | None:
    """Host and port of the first feed that is asked through the proxy by https."""

    on = (
        (settings.met_norway, settings.met_norway_url),
        (settings.nws, settings.nws_url),
        (settings.uses_open_meteo, settings.open_meteo_url or FREE_URL),
    )
    for is_on, base in on:
        parts = urlsplit(base)
        if is_on and parts.scheme == "https" and parts.hostname and proxy.leads_to(parts.hostname):
            return parts.hostname, parts.port or 443
    return None


def _trouble(proxy: Proxy, called: str, name: str, port: int) -> str | None:
    """What keeps us from a checked connection to that host, and what to do; None when nothing does."""

    with SocketTimer(WITHIN_S) as timer:
        try:
            sock = open_tunnel(proxy, called, port, timer, connect_s=WITHIN_S / 2, step_s=WITHIN_S / 2)
            secure(sock, trusting(), name).close()
        except ProxyFault as error:
            return f"{proxy.place}: {error}"
        except ssl.SSLCertVerificationError as error:
            return (
                f"{name} shows a certificate through {proxy.place} that this system doesn't trust "
                f"({error.verify_message}). If the proxy opens TLS, add its authority to the system's (on "
                "Debian a .crt file in /usr/local/share/ca-certificates, then update-ca-certificates) and "
                "start again"
            )
        except OSError as error:
            return f"{name} doesn't answer through {proxy.place}: {error}"
    return None
