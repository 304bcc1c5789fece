"""Which addresses that users give may be called: read once, checked the same at save and at send.

A webhook's URL comes from a stranger, and this machine can reach places that the stranger can't: its
own services, the local network, a cloud's metadata address.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import urllib3.exceptions
from urllib3.util import parse_url

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network

LONGEST_URL = 2048
LONGEST_HOST = 253
LONGEST_LABEL = 63
"""A host's name and its parts (RFC 1035, 2.3.4)."""

NOT_PUBLIC_V4 = tuple(
    ipaddress.IPv4Network(text)
    for text in (
        "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12",
        "192.0.0.0/24", "192.0.2.0/24", "192.31.196.0/24", "192.52.193.0/24", "192.88.99.0/24",
        "192.168.0.0/16", "192.175.48.0/24", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24",
        "224.0.0.0/4", "240.0.0.0/4",
    )
)  # fmt: skip
"""IANA IPv4 Special-Purpose Address Registry (RFC 6890 and its updates), and multicast (RFC 5771)."""

PUBLIC_V6 = ipaddress.IPv6Network("2000::/3")
"""The only IPv6 block given out for global unicast (RFC 4291, IANA)."""

NOT_PUBLIC_V6 = tuple(
    ipaddress.IPv6Network(text)
    for text in ("2001::/23", "2001:db8::/32", "2002::/16", "2620:4f:8000::/48", "3fff::/20")
)
"""Inside it: protocol assignments with Teredo, documentation, 6to4 (carries any IPv4), AS112."""


class Blocked(BadInput):
    """The address isn't one we call. Not an OSError: libraries would take that for a network fault."""


@dataclass(frozen=True, slots=True)
class WebTarget:
    """A checked URL, taken apart once, for checking and for connecting alike."""

    scheme: str
    host: str  # a name, or an address without brackets
    port: int
    path: str  # with the query

    @property
    def literal(self) -> Address | None:
        """The address that the host is written as, or None for a name."""
        try:
            return ipaddress.ip_address(self.host)
        except ValueError:
            return None


class AllowList:
    """Receivers on this machine or network that the operator vouches for.

    entries: `host:port` (this name or address at this port), `host` (at 443, 80 and the open
    ports) or a network such as `10.1.0.0/16`. Named ones may be called by plain http.
    """

    def __init__(self, entries: Iterable[str] = ()) -> None:
        self._hosts: set[str] = set()
        self._places: set[tuple[str, int]] = set()
        self._networks: list[Network] = []
        # `10.1.0.0/16`, `chat.lan`, `chat.lan:8065`, `10.0.0.7:80`, `[fd00::7]:80` or `fd00::7`
        for entry in (each.strip() for each in entries):
            parts = re.fullmatch(r"(?:\[([0-9a-fA-F:.]+)\]|([^\s:\[\]@]+))(?::(\d{1,5}))?", entry)
            if "/" in entry:
                try:
                    self._networks.append(ipaddress.ip_network(entry))
                except ValueError as error:
                    raise BadInput(phrase("channels.allow-no-network", entry=entry)) from error
            elif parts is None:
                try:
                    self._hosts.add(str(ipaddress.IPv6Address(entry)))
                except ValueError as error:
                    raise BadInput(phrase("channels.allow-no-host", entry=entry)) from error
            elif parts[3]:
                self._places.add(((parts[1] or parts[2]).lower().rstrip("."), int(parts[3])))
            else:
                self._hosts.add((parts[1] or parts[2]).lower().rstrip("."))

    def has_place(self, host: str, port: int) -> bool:
        """Whether that very host and port is listed."""
        return (host, port) in self._places

    def has_host(self, host: str, port: int) -> bool:
        """Whether the host is listed, with or without its port."""
        return host in self._hosts or self.has_place(host, port)

    def has_address(self, address: Address) -> bool:
        """Whether the address lies in a listed network."""
        return any(address in network for network in self._networks)


def address_ok(address: Address) -> bool:
    """Whether an address is on the public internet, where a stranger could reach it as well."""
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is not None:
            return address_ok(address.ipv4_mapped)
        return address in PUBLIC_V6 and not any(address in network for network in NOT_PUBLIC_V6)
    return not any(address in network for network in NOT_PUBLIC_V4)


@lru_cache(maxsize=10_000)
def parse_target(url: str) -> WebTarget:
    """Take a URL apart; Blocked when it is written in a way that a receiver's address never is."""
    if len(url) > LONGEST_URL:
        raise Blocked(phrase("channels.url-long", longest_url=LONGEST_URL))
    if re.search(r"[\s\\\x00-\x20\x7f]", url):
        raise Blocked(phrase("channels.url-odd"))
    if "@" in re.split(r"[/?#]", url.partition("://")[2], maxsplit=1)[0]:
        raise Blocked(phrase("channels.url-user"))
    try:
        parsed = parse_url(url)
    except urllib3.exceptions.LocationParseError as error:
        raise Blocked(phrase("channels.url-unreadable")) from error
    if parsed.scheme not in ("https", "http") or not parsed.host:
        raise Blocked(phrase("channels.url-no-host"))
    host = parsed.host.strip("[]").lower().rstrip(".")
    if "%" in host or not host:  # zone ids
        raise Blocked(phrase("channels.host-percent"))
    if len(host) > LONGEST_HOST or any(len(label) > LONGEST_LABEL for label in host.split(".")):
        raise Blocked(phrase("channels.host-long"))
    # No addresses in decimal, hexadecimal, octal or shortened form (127.1, 0x7f.1).
    if ":" not in host and re.fullmatch(r"\d+|0x[0-9a-f]*", host.rsplit(".", 1)[-1]) is not None:
        try:
            ipaddress.IPv4Address(host)
        except ValueError as error:
            raise Blocked(phrase("channels.host-disguised")) from error
    port = parsed.port if parsed.port is not None else (443 if parsed.scheme == "https" else 80)
    path = parsed.request_uri if parsed.request_uri.startswith("/") else f"/{parsed.request_uri}"
    return WebTarget(parsed.scheme, host, port, path)
