"""Who is asking, as far as limits need to know: the client's address behind trusted proxies."""

from __future__ import annotations

from ipaddress import ip_address, ip_network

from fastapi import Request

from service.web.context import Web


def network_of_request(web: Web, request: Request) -> str:
    """The client's address; behind a trusted proxy, the last hop in X-Forwarded-For that isn't one.

    An entry that is no address ends the search: what stands before it can be made up.
    """
    address = request.client.host if request.client else ""
    trusted = [ip_network(entry) for entry in web.duskbell.settings.trusted_proxies]
    hops = [hop.strip() for hop in request.headers.get("x-forwarded-for", "").split(",") if hop.strip()]
    while hops and _is_address(address) and any(ip_address(address) in network for network in trusted):
        address = hops.pop()
    return address


def _is_address(text: str) -> bool:
    try:
        ip_address(text)
    except ValueError:
        return False
    return True
