"""Errors as pages: what happened, and what to do."""

from __future__ import annotations

import logging
from http import HTTPStatus
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.exc import OperationalError
from starlette.exceptions import HTTPException

from alerts.common.errors import DuskbellError
from service.web.shared import sessions
from service.web.shared.context import Web
from service.web.shared.errors import NothingHere, NotInvited, SignInAgain, SignInFirst
from service.web.shared.problems import API_PATH, TEXTS, problem

log = logging.getLogger(__name__)

RELAY_PATH = "/relay/"
"""No browser comes there."""
TITLES = {
    400: "That can't be used",
    403: "Not from here",
    404: "Nothing here",
    405: "Not this way",
    408: "Too slow",
    413: "Too large",
    429: "Too many tries",
    500: "This page broke",
    503: "Not just now",
}

UNSAID = {404: str(NothingHere().detail), 405: "This address doesn't take that."}
"""For faults that the framework raises with nothing but the status in words."""


def _words(fault: HTTPException) -> str:
    is_unsaid = fault.detail == HTTPStatus(fault.status_code).phrase
    return UNSAID.get(fault.status_code, fault.detail) if is_unsaid else str(fault.detail)


def add_error_pages(app: FastAPI, web: Web) -> None:
    """Let the application answer every foreseen fault with a page of its own."""

    def page(status: int, text: str, title: str = "") -> Response:
        title = title or TITLES.get(status, "That didn't work")
        return web.page("error.html", status, title=title, text=text)

    @app.exception_handler(HTTPException)
    def refused(request: Request, fault: HTTPException) -> Response:
        if request.url.path.startswith(API_PATH):
            return problem(
                request.scope["path"], fault.status_code, TEXTS.get(fault.status_code, fault.detail)
            )
        if request.url.path.startswith(RELAY_PATH):
            return problem(request.url.path, fault.status_code, str(fault.detail), headers=fault.headers)
        title = fault.title if isinstance(fault, NotInvited) else ""
        response = page(fault.status_code, _words(fault), title)
        response.headers.update(fault.headers or {})
        return response

    @app.exception_handler(RequestValidationError)
    def unreadable(_: Request, fault: RequestValidationError) -> Response:
        first = fault.errors()[0]
        where = ".".join(str(part) for part in first["loc"][1:]) or "the request"
        return page(400, f"{where}: {first['msg'].lower()}. Go back and change it.")

    @app.exception_handler(DuskbellError)
    def unusable(_: Request, fault: DuskbellError) -> Response:
        return page(400, str(fault))

    @app.exception_handler(SignInFirst)
    def sign_in_first(request: Request, fault: SignInFirst) -> Response:
        """Who was signed out from elsewhere loses what the browser kept, too; whose time is over doesn't:
        their field page has to open tonight."""
        response = RedirectResponse(f"/sign-in?next={quote(fault.back_to, safe='/')}", 303)
        token = request.cookies.get(sessions.cookie_name(is_https=web.is_https), "")
        with web.reading() as session:
            was_ended = bool(token) and sessions.was_signed_out(session, token)
        return sessions.signed_out(response, is_https=web.is_https) if was_ended else response

    @app.exception_handler(SignInAgain)
    def sign_in_again(_: Request, fault: SignInAgain) -> Response:
        return RedirectResponse(f"/me/again?next={quote(fault.back_to, safe='/')}", 303)

    @app.exception_handler(OperationalError)
    def store_busy(_: Request, fault: OperationalError) -> Response:
        log.error("the store can't be used: %s", type(fault.orig).__name__)
        return page(503, "The store can't be read or written just now. Try again in a minute.")

    @app.exception_handler(Exception)
    def unforeseen(_: Request, __: Exception) -> Response:
        """Answered as a page; Starlette raises the fault on, into the log."""
        return page(500, "Something here broke, and it is in the log. Alerts don't depend on the pages.")
