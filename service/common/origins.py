"""Origins of web addresses (RFC 6454), and whether one is this machine itself."""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import urlsplit


@dataclass(frozen=True, slots=True)
class WebOrigin:
    """Scheme, host and port of an address, as RFC 6454 compares them."""

    scheme: str
    host: str
    port: int


def origin_of(address: str) -> WebOrigin | None:
    """The origin of an http or https address; None for anything else."""
    try:
        parts = urlsplit(address)
        host, port = parts.hostname, parts.port
    except ValueError:  # brackets that don't close, a port that is none
        return None
    if parts.scheme not in DEFAULT_PORTS or not host:
        return None
    return WebOrigin(parts.scheme, host, DEFAULT_PORTS[parts.scheme] if port is None else port)


def is_loopback(host: str) -> bool:
    """Whether a host of an address is this machine itself, which browsers trust without https (W3C Secure
    Contexts, section 3.1)."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost" or host.endswith(".localhost")


DEFAULT_PORTS = {"http": 80, "https": 443}
"""RFC 9110 sections 4.2.1 and 4.2.2."""
