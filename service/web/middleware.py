"""What stands between a stranger and the pages: headers, origins, sizes and patience.

Plain ASGI, so that it costs little and sees every answer, errors and mounted applications included.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping
from dataclasses import dataclass

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from alerts.common.phrases import say
from service.settings import WebOrigin, is_loopback, origin_of
from service.web.error_pages import API_PATH, problem

log = logging.getLogger(__name__)

CONTENT_POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; script-src 'self'; connect-src 'self'; "
    "worker-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    # Not no-referrer: under that browsers send "Origin: null" with every form, also with those of this site.
    # The addresses of pages, some of which hold a link's token, still go to nobody else.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), camera=(), microphone=()",
    "Cache-Control": "no-store",
}
HSTS = "max-age=31536000"
"""A year, as RFC 6797 section 11.2 leaves to the host; sent only where the operator serves https."""

BODY_BYTES = 128 * 1024
UPLOAD_BYTES = 5 * 1024 * 1024
UPLOAD_PATHS = ("/sites/", "/relay/")
BODY_WITHIN_S = 10.0
"""A request whose body dribbles in for longer is dropped."""


ACTS = frozenset({"POST", "PUT", "PATCH", "DELETE"})
OWN_AUTHORITY = ("/unsubscribe/", "/relay/", "/api/")
"""Paths that no cookie opens: what is sent there carries its own authority, so any origin may send it."""


@dataclass(frozen=True, slots=True)
class WithHeaders:
    """Adds the security headers that the answer hasn't set itself."""

    app: ASGIApp
    headers: Mapping[str, str]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                found = MutableHeaders(scope=message)
                for name, value in self.headers.items():
                    found.setdefault(name, value)
            await send(message)

        await self.app(scope, receive, send_with_headers)


@dataclass(frozen=True, slots=True)
class HeadAsGet:
    """Answers HEAD as GET would be answered, without the body (RFC 9110 section 9.3.2): monitors, proxies and
    programs that check links ask so."""

    app: ASGIApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        is_head = scope["method"] == "HEAD"

        async def send_bare(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] == 405:
                headers = MutableHeaders(scope=message)
                allowed = [each.strip() for each in headers.get("allow", "").split(",")]
                if "GET" in allowed and "HEAD" not in allowed:
                    headers["allow"] = ", ".join([*allowed, "HEAD"])
            elif message["type"] == "http.response.body" and is_head:
                message = {**message, "body": b""}
            await send(message)

        await self.app({**scope, "method": "GET"} if is_head else scope, receive, send_bare)


@dataclass(frozen=True, slots=True)
class SameOrigin:
    """Refuses what another site's page makes a browser send.

    Browsers say where a request comes from in Sec-Fetch-Site, but only to https and to localhost; else, and
    those that don't know it, in Origin, and very old ones in Referer alone. One that says none of it is
    refused as well: a page's form never looks like that, and a program has the API.
    public_url: the address under which people reach the pages; what a proxy made of Host doesn't matter then.
    """

    app: ASGIApp
    public_url: str

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] in ACTS and (why := self._refusal(scope)):
            await PlainTextResponse(why, 403)(scope, receive, send)
            return
        await self.app(scope, receive, send)

    def _refusal(self, scope: Scope) -> str:
        """Why the form isn't taken, in a sentence; "" when it comes from a page of ours."""
        if scope["path"].startswith(OWN_AUTHORITY):
            return ""
        headers = Headers(scope=scope)
        # "none" is what somebody typed or sent once more themselves; no page can bring it about.
        if fetched_from := headers.get("sec-fetch-site"):
            return "" if fetched_from in ("same-origin", "none") else say("web.form-foreign")
        # "null" is a page that hides where it comes from: ours don't, and a frame of anybody's can.
        said = headers.get("origin") or headers.get("referer")
        if not said or said == "null":
            return say("web.form-unnamed")
        origin, public = origin_of(said), origin_of(self.public_url)
        if origin is None or origin not in {public, *_asked_origins(headers, origin.scheme)}:
            return say("web.form-foreign")
        # Without https the browser won't keep our cookie, and who sits in between can make pages of our name.
        is_open = origin.scheme == "http" and not is_loopback(origin.host)
        if is_open and public is not None and public.scheme == "https":
            return say("web.form-open-way", url=self.public_url)
        return ""


def _asked_origins(headers: Headers, scheme: str) -> set[WebOrigin | None]:
    """The origins that may have been asked: by Host, and before a proxy changed it by X-Forwarded-Host, where
    each proxy adds its own, with the port beside it or in X-Forwarded-Port.

    Whoever sends them is believed: a page can't make a browser add them without asking first (a preflight
    of CORS), which nobody here grants. The scheme is that of the page: how a proxy was asked isn't seen here.
    """
    named = headers.getlist("host") + _listed(headers, "x-forwarded-host")
    asked = {origin_of(f"{scheme}://{host}") for host in named}
    ported = {
        origin_of(f"{scheme}://{bare}:{port}")
        for bare in (f"[{each.host}]" if ":" in each.host else each.host for each in asked if each)
        for port in _listed(headers, "x-forwarded-port")
    }
    return asked | ported


def _listed(headers: Headers, name: str) -> list[str]:
    return [each.strip() for line in headers.getlist(name) for each in line.split(",") if each.strip()]


class BodyTooLarge(HTTPException):
    """More came than the page takes."""

    def __init__(self, limit: int) -> None:
        super().__init__(413, say("web.body-too-large", limit_kb=limit // 1024))


class BodyTooSlow(HTTPException):
    """The body didn't come within the time given."""

    def __init__(self) -> None:
        super().__init__(408, say("web.body-too-slow"))


@dataclass(frozen=True, slots=True)
class BoundedBody:
    """Bounds the size of a request's body, said or not, and how long it may take to come."""

    app: ASGIApp
    within_s: float = BODY_WITHIN_S

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        limit = UPLOAD_BYTES if scope["path"].startswith(UPLOAD_PATHS) else BODY_BYTES
        said = Headers(scope=scope).get("content-length", "0")
        if said.isascii() and said.isdigit() and int(said) > limit:
            # Before any application looks at it: the API's in its form, the pages' in plain words.
            fault = BodyTooLarge(limit)
            refusal: Response = PlainTextResponse(fault.detail, fault.status_code)
            if scope["path"].startswith(API_PATH):
                refusal = problem(scope["path"], fault.status_code, fault.detail)
            await refusal(scope, receive, send)
            return
        try:
            await self.app(scope, _bounded(receive, limit, self.within_s), send)
        except ClientDisconnect:
            # Nobody is there to be answered. The first part of the path names the page; links follow it.
            page = "/".join(scope["path"].split("/", 2)[:2])
            log.info("a client broke off while it sent %s %s", scope["method"], page)


def _bounded(receive: Receive, limit: int, within_s: float) -> Receive:
    """`receive` that counts what has come and for how long; what follows the body passes unbounded."""
    taken = 0
    whole = False
    until = asyncio.get_running_loop().time() + within_s

    async def bounded() -> Message:
        nonlocal taken, whole
        if whole:
            return await receive()
        left_s = until - asyncio.get_running_loop().time()
        try:
            message = await asyncio.wait_for(receive(), max(left_s, 0.001))
        except TimeoutError:
            raise BodyTooSlow from None
        taken += len(message.get("body", b""))
        whole = message["type"] != "http.request" or not message.get("more_body", False)
        if taken > limit:
            raise BodyTooLarge(limit)
        return message

    return bounded
