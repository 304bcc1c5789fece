"""What stands between a stranger and the pages: headers, origins, sizes and patience.

Plain ASGI, so that it costs little and sees every answer, errors and mounted applications included.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.web.api.problems import API_PATH, problem

CONTENT_POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; script-src 'self'; connect-src 'self'; "
    "worker-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
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


FOREIGN = (
    "This form was sent from another place than this site's own pages, so nothing was done. "
    "Open the page here and send it again."
)


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
class SameOrigin:
    """Refuses what another site's page makes a browser send.

    Browsers say where a request comes from in Sec-Fetch-Site, older ones in Origin. One that says
    neither is no browser, and carries no cookie that it wasn't given on purpose; it is refused as well,
    since a page's form never looks like that.
    """

    app: ASGIApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] in ACTS and not _is_ours(scope):
            await PlainTextResponse(FOREIGN, 403)(scope, receive, send)
            return
        await self.app(scope, receive, send)


def _is_ours(scope: Scope) -> bool:
    if scope["path"].startswith(OWN_AUTHORITY):
        return True
    headers = Headers(scope=scope)
    fetched_from = headers.get("sec-fetch-site")
    if fetched_from is not None:
        return fetched_from == "same-origin"
    origin = headers.get("origin")
    return origin is not None and urlsplit(origin).netloc == headers.get("host", "")


class BodyTooLarge(HTTPException):
    """More came than the page takes."""

    def __init__(self, limit: int) -> None:
        super().__init__(413, f"That is more than this page takes ({limit // 1024} kB). Send less at once.")


class BodyTooSlow(HTTPException):
    """The body didn't come within the time given."""

    def __init__(self) -> None:
        super().__init__(408, "What was sent took too long to arrive, so nothing was done. Try again.")


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
        if _said_length(scope) > limit:
            await _refusal(scope, BodyTooLarge(limit))(scope, receive, send)
            return
        await self.app(scope, _bounded(receive, limit, self.within_s), send)


def _refusal(scope: Scope, fault: HTTPException) -> Response:
    """Before any application looks at the request: the API's in its form, the pages' in plain words."""
    if scope["path"].startswith(API_PATH):
        return problem(scope["path"], fault.status_code, fault.detail)
    return PlainTextResponse(fault.detail, fault.status_code)


def _said_length(scope: Scope) -> int:
    said = Headers(scope=scope).get("content-length", "0")
    return int(said) if said.isascii() and said.isdigit() else 0


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
