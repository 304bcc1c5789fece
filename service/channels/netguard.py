"""The only way to open an address that a user gave.

A webhook URL comes from a stranger, and this machine can reach places that the stranger can't: its own
services, the local network, a cloud's metadata address. So the name is resolved once, every answer must
be a public address, the connection goes to the checked address, and nothing is followed from there.

Blocked          the address isn't one we call; what to change is said
CutOff           no whole answer in time, or the connection broke; `maybe_sent` tells if the request went out
"""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping
from dataclasses import dataclass

from alerts.errors import BadInput, DuskbellError

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network

LONGEST_URL = 2048
READ_AT_MOST = 64 * 1024

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


class CutOff(DuskbellError):
    """No whole answer. code: "timeout", "dns", "connect", "tls" or "broken"."""

    def __init__(self, code: str, text: str, *, maybe_sent: bool) -> None:
        super().__init__(text)
        self.code = code
        self.maybe_sent = maybe_sent


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: status, headers with lower-case names, and at most 64 kB of the body."""

    status: int
    headers: Mapping[str, str]
    body: bytes
