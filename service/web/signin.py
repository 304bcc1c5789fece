"""Signing in by a mailed link, or by the owner's link that is printed where Duskbell starts."""

from __future__ import annotations

import hmac

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service import access
from service.store import people, tokens
from service.store.tokens import Purpose
from service.web import sessions
from service.web.access import Looking
from service.web.asking import network_of_request
from service.web.context import Web
from service.web.faults import NothingHere
from service.web.forms import Filled

OVER = "This link has been used, or is too old. Ask for another one."


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/sign-in", response_class=HTMLResponse)
    def ask(viewer: Looking) -> HTMLResponse:
        return web.page("sign-in.html", viewer=viewer, place="sign-in", sent=False, has_owner=_has_owner(web))

    @router.post("/sign-in", response_class=HTMLResponse)
    def send(form: Filled, request: Request) -> HTMLResponse:
        with web.writing.begin() as session:
            access.ask_to_sign_in(
                session,
                web.duskbell.keys,
                form.text("email"),
                network=network_of_request(web, request),
                now=web.duskbell.clock(),
            )
        web.nudge()
        return web.page("sign-in.html", place="sign-in", sent=True, has_owner=_has_owner(web))

    @router.get("/sign-in/{token}", response_class=HTMLResponse)
    def show(token: str) -> HTMLResponse:
        with web.reading() as session:
            is_good = tokens.find(session, Purpose.SIGN_IN, token, web.duskbell.clock()) is not None
        return _show(web, f"/sign-in/{token}", is_good=is_good)

    @router.post("/sign-in/{token}")
    def enter(token: str, request: Request) -> Response:
        with web.writing.begin() as session:
            person_id = access.sign_in(session, token, web.duskbell.clock())
        if person_id is None:
            return _show(web, "", is_good=False)
        return _let_in(web, person_id, request)

    @router.get("/owner/{token}", response_class=HTMLResponse)
    def show_owner(token: str) -> HTMLResponse:
        _require_owner(web, token)
        return _show(web, f"/owner/{token}", is_good=True)

    @router.post("/owner/{token}")
    def enter_as_owner(token: str, request: Request) -> Response:
        _require_owner(web, token)
        with web.writing.begin() as session:
            person_id = people.get_operator(session, zone="UTC", now=web.duskbell.clock()).id
        return _let_in(web, person_id, request)

    @router.post("/sign-out")
    def leave(request: Request) -> Response:
        token = request.cookies.get(sessions.cookie_name(is_https=web.is_https), "")
        with web.writing.begin() as session:
            sessions.end(session, token, web.duskbell.clock())
        response = RedirectResponse("/", 303)
        sessions.take_cookie(response, is_https=web.is_https)
        return response

    return router


def _has_owner(web: Web) -> bool:
    return bool(web.owner_token)


def _require_owner(web: Web, token: str) -> None:
    if not web.owner_token or not hmac.compare_digest(token.encode(), web.owner_token.encode()):
        raise NothingHere


def _show(web: Web, action: str, *, is_good: bool) -> HTMLResponse:
    """A button to press, since programs that check links open them too."""
    return web.page("sign-in-link.html", 200 if is_good else 404, action=action, is_good=is_good, over=OVER)


def _let_in(web: Web, person_id: int, request: Request) -> Response:
    with web.writing.begin() as session:
        label = request.headers.get("user-agent", "")
        token = sessions.start(session, person_id, web.duskbell.clock(), label=label)
    response = RedirectResponse("/", 303)
    sessions.give_cookie(response, token, is_https=web.is_https)
    return response
