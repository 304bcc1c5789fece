"""What a request can end in instead of an answer: exceptions, and each as a page or as problem details."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from http import HTTPStatus
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.exc import OperationalError
from starlette.exceptions import HTTPException

from alerts.common.errors import DuskbellError
from alerts.common.phrases import say
from service.store.repositories import browsers
from service.web.api.models import FaultModel, ProblemModel
from service.web.shared import sessions
from service.web.shared.context import Web


class SignInFirst(Exception):
    """The page is for people who are signed in. back_to: the path to return to."""

    def __init__(self, back_to: str) -> None:
        super().__init__(back_to)
        self.back_to = back_to


class NotInvited(HTTPException):
    """The viewer hasn't the right to keep sites here (`people.may_keep`)."""

    def __init__(self) -> None:
        super().__init__(403, say("web.not-invited"))


class SignInAgain(SignInFirst):
    """What was asked for needs a sign-in of just now."""


class NothingHere(HTTPException):
    """There is no such page for this viewer, whether it exists for others or not."""

    def __init__(self, what: str = "") -> None:
        super().__init__(404, what or say("web.nothing-here"))


log = logging.getLogger(__name__)

RELAY_PATH = "/relay/"
"""No browser comes there."""
TITLED = frozenset({400, 403, 404, 405, 408, 413, 429, 500, 503})
"""Statuses whose page has a heading of its own."""


def add_error_pages(app: FastAPI, web: Web) -> None:
    """Let the application answer every foreseen fault with a page of its own."""

    def page(status: int, text: str, title: str = "") -> Response:
        title = title or say(f"web.title-{status}" if status in TITLED else "web.title-other")
        return web.page("shared/error.html", status, title=title, text=text)

    @app.exception_handler(HTTPException)
    def refused(request: Request, fault: HTTPException) -> Response:
        if request.url.path.startswith(API_PATH):
            return problem(
                request.scope["path"], fault.status_code, api_text(fault.status_code, fault.detail)
            )
        if request.url.path.startswith(RELAY_PATH):
            return problem(request.url.path, fault.status_code, str(fault.detail), headers=fault.headers)
        title = say("web.title-by-invitation") if isinstance(fault, NotInvited) else ""
        is_unsaid = fault.detail == HTTPStatus(fault.status_code).phrase
        unsaid = {404: "web.nothing-here", 405: "web.not-this-way"}.get(fault.status_code)
        text = say(unsaid) if is_unsaid and unsaid else fault.detail
        response = page(fault.status_code, text, title)
        response.headers.update(fault.headers or {})
        return response

    @app.exception_handler(RequestValidationError)
    def unreadable(_: Request, fault: RequestValidationError) -> Response:
        first = fault.errors()[0]
        where = ".".join(str(part) for part in first["loc"][1:]) or "the request"
        return page(400, say("web.part-unusable", where=where, what=first["msg"].lower()))

    @app.exception_handler(SignInFirst)
    def sign_in_first(request: Request, fault: SignInFirst) -> Response:
        """Who was signed out from elsewhere loses what the browser kept, too; whose time is over doesn't:
        their field page has to open tonight."""
        response = RedirectResponse(f"/sign-in?next={quote(fault.back_to, safe='/')}", 303)
        token = sessions.read_cookie(web, request)
        with web.reading() as session:
            was_ended = bool(token) and browsers.was_signed_out(session, token)
        return sessions.signed_out(web, response) if was_ended else response

    @app.exception_handler(SignInAgain)
    def sign_in_again(_: Request, fault: SignInAgain) -> Response:
        return RedirectResponse(f"/me/again?next={quote(fault.back_to, safe='/')}", 303)

    broken = {500: "web.broke", 503: "web.store-busy"}
    add_handlers(app, lambda _, status, text: page(status, text or say(broken[status])))


def add_handlers(app: FastAPI, answer: Callable[[Request, int, str], Response]) -> None:
    """Answer what pages and the API can end in alike: request, status, and why, "" for what isn't theirs."""

    @app.exception_handler(DuskbellError)
    def unusable(request: Request, fault: DuskbellError) -> Response:
        return answer(request, 400, str(fault))

    @app.exception_handler(OperationalError)
    def store_busy(request: Request, fault: OperationalError) -> Response:
        log.error("the store can't be used: %s", type(fault.orig).__name__)
        return answer(request, 503, "")

    @app.exception_handler(Exception)
    def unforeseen(request: Request, _: Exception) -> Response:
        """Starlette raises the fault on, into the log."""
        return answer(request, 500, "")


API_PATH = "/api/"
MEDIA_TYPE = "application/problem+json"
TOLD = frozenset({400, 401, 403, 404, 405, 408, 413, 422, 429, 500, 503})


def api_text(status: int, otherwise: str = "") -> str:
    """What the API says of a status."""
    return say(f"web.api-{status}") if status in TOLD else otherwise


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """These faults for an operation's OpenAPI entry."""
    schema = {"$ref": "#/components/schemas/ProblemModel"}
    return {
        status: {"description": api_text(status), "content": {MEDIA_TYPE: {"schema": schema}}}
        for status in (*statuses, 503)
    }


def problem(
    path: str,
    status: int,
    detail: str,
    *,
    errors: list[FaultModel] | None = None,
    headers: Mapping[str, str] | None = None,
) -> Response:
    body = ProblemModel(
        title=HTTPStatus(status).phrase,
        status=status,
        detail=detail,
        instance=quote(path),
        errors=errors or [],
    )
    return Response(body.model_dump_json(), status, media_type=MEDIA_TYPE, headers=dict(headers or {}))


def add_problem_handlers(api: FastAPI) -> None:
    """Let the API answer every foreseen fault in words."""

    @api.exception_handler(HTTPException)
    def refused(request: Request, fault: HTTPException) -> Response:
        is_plain = fault.detail == HTTPStatus(fault.status_code).phrase
        text = api_text(fault.status_code, fault.detail) if is_plain else fault.detail
        return problem(request.scope["path"], fault.status_code, text, headers=fault.headers)

    @api.exception_handler(RequestValidationError)
    def unreadable(request: Request, fault: RequestValidationError) -> Response:
        errors = [
            FaultModel(where=".".join(str(part) for part in each["loc"]), what=str(each["msg"]))
            for each in fault.errors()[:20]
        ]
        return problem(request.scope["path"], 422, api_text(422), errors=errors)

    def answer(request: Request, status: int, text: str) -> Response:
        again = {"Retry-After": "60"} if status == 503 else None
        return problem(request.scope["path"], status, text or api_text(status), headers=again)

    add_handlers(api, answer)
