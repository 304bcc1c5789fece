"""The proxy through which this installation reaches the outside, as the settings name it.

For what users give it is handed checked addresses, never names: it resolves names by itself, may see inside,
and isn't trusted to refuse. Feeds and the mail relay are the operator's own and go by name.
"""

from __future__ import annotations

import base64
import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal
from urllib.parse import unquote, urlsplit

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase


@dataclass(frozen=True, slots=True)
class Proxy:
    """A proxy that takes CONNECT (RFC 9110, 9.3.6). scheme: how it is talked to itself.

    direct_names: hosts that are called without it, each with all names below it.
    direct_networks: likewise, for hosts that are written as addresses. This machine is always among them.
    ca_file: whom to trust in place of the system's authorities when the proxy itself speaks TLS.
    """

    scheme: Literal["http", "https"]
    host: str
    port: int
    user: str = ""
    password: str = field(default="", repr=False)
    direct_names: tuple[str, ...] = ()
    direct_networks: tuple[ipaddress.IPv4Network | ipaddress.IPv6Network, ...] = ()
    ca_file: str | None = None

    def leads_to(self, host: str) -> bool:
        """Whether that host is reached through the proxy."""
        name = host.strip("[]").lower().rstrip(".")
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            direct = ("localhost", *self.direct_names)
            return not any(name == each or name.endswith(f".{each}") for each in direct)
        return not (address.is_loopback or any(address in network for network in self.direct_networks))

    @property
    def authorization(self) -> dict[str, str]:
        """The header that names us to the proxy (RFC 7617); none without a user."""
        if not self.user:
            return {}
        pair = base64.b64encode(f"{self.user}:{self.password}".encode()).decode("ascii")
        return {"Proxy-Authorization": f"Basic {pair}"}

    @property
    def place(self) -> str:
        """Where it stands, without user and password."""
        return f"{self.scheme}://{f'[{self.host}]' if ':' in self.host else self.host}:{self.port}"


def read_proxy(url: str, direct: Iterable[str] = ()) -> Proxy:
    """The proxy behind a URL; BadInput, which never holds the URL itself, when it names none.

    direct: names and networks that are called without it.
    """
    try:
        parts = urlsplit(url.strip())
        host, port = parts.hostname, parts.port
    except ValueError:  # whose text may hold a part of the password
        raise BadInput(phrase("service-common.proxy-unreadable")) from None
    if parts.scheme not in ("http", "https"):
        raise BadInput(phrase("service-common.proxy-scheme"))
    if not host or port is None or parts.path not in ("", "/") or parts.query or parts.fragment:
        raise BadInput(phrase("service-common.proxy-no-host"))
    user, password = unquote(parts.username or ""), unquote(parts.password or "")
    if ":" in user or not (user + password).isprintable():
        raise BadInput(phrase("service-common.proxy-user"))
    names, networks = [], []
    for entry in (entry.strip().lower() for entry in direct):
        try:
            networks.append(ipaddress.ip_network(entry))
        except ValueError:
            name = entry.removeprefix("*").strip(".")
            if not name or any(letter in "/:*@ " for letter in name):
                raise BadInput(phrase("service-common.direct-no-host", entry=entry)) from None
            names.append(name)
    return Proxy(
        "https" if parts.scheme == "https" else "http",
        host,
        port,
        user,
        password,
        tuple(names),
        tuple(networks),
    )
