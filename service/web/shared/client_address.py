"""Who is asking, as far as limits need to know: the client's address behind trusted proxies."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from functools import lru_cache
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

from fastapi import Request

from service.web.shared.context import Web

log = logging.getLogger(__name__)

Network = IPv4Network | IPv6Network


def network_of_request(web: Web, request: Request) -> str:
    """The client's address; behind trusted proxies, the one that the outermost of them was asked from."""
    peer = request.client.host if request.client else ""
    # A proxy may add a line of its own below the client's: all lines are one list (RFC 9110, 5.3).
    hops = [hop for line in request.headers.getlist("x-forwarded-for") for hop in line.split(",")]
    trusted = web.duskbell.settings.trusted_proxies
    if hops and not trusted:
        _warn_once(peer)
    return client_behind(peer, hops, _networks(trusted))


def client_behind(peer: str, hops: Sequence[str], trusted: Sequence[Network]) -> str:
    """The address that the hops of X-Forwarded-For lead to, read from the nearest one outwards.

    Each hop was written by the one after it, so it is believed as long as that one is trusted. One that
    is no address ends the search at the proxy that wrote it: what stands before it can be made up.
    """
    client = _address(peer)
    if client is None:
        return peer
    left = [hop.strip() for hop in hops if hop.strip()]
    while left and any(client in network for network in trusted):
        before = _address(left.pop())
        if before is None:
            break
        client = before
    return str(client)


@lru_cache(maxsize=8)
def _networks(entries: tuple[str, ...]) -> tuple[Network, ...]:
    return tuple(ip_network(entry) for entry in entries)


def _address(text: str) -> IPv4Address | IPv6Address | None:
    """The address in a hop: `192.0.2.7:4711`, `[2001:db8::1]:4711` and `::ffff:192.0.2.7` are some, too."""
    if text.startswith("["):
        text = text[1:].partition("]")[0]
    elif text.count(":") == 1:
        text = text.partition(":")[0]
    try:
        found = ip_address(text.partition("%")[0])
    except ValueError:
        return None
    return getattr(found, "ipv4_mapped", None) or found


@lru_cache(maxsize=1)
def _warn_once(peer: str) -> None:
    """Who stands behind a proxy that isn't named would share its limits with everybody behind it."""
    near = _address(peer)
    if near is not None and near.is_private:
        log.warning(
            "requests from %s name other senders in X-Forwarded-For, which isn't believed: if your proxy "
            "is there, set trusted_proxies, or all who come by it share one sender's limits",
            peer,
        )
