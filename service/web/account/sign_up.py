"""Signing up, where the operator lets strangers in: a mail address that proves itself, and nothing else.

Whoever asks sees the same page whether or not the address is known; only its owner learns more.
"""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from service.accounts import access
from service.store.repositories import people
from service.web.shared.client_address import network_of_request
from service.web.shared.context import Web
from service.web.shared.errors import NothingHere
from service.web.shared.form_guards import STAMP, TRAP, looks_human, make_stamp
from service.web.shared.forms import Filled
from service.web.shared.viewer import Looking


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/sign-up", response_class=HTMLResponse)
    def ask(viewer: Looking) -> HTMLResponse:
        _require_open(web)
        return web.page(
            "sign-up.html",
            viewer=viewer,
            sent=False,
            stamp=make_stamp(web.duskbell.keys, web.duskbell.clock()),
            trap=TRAP,
            stamp_name=STAMP,
        )

    @router.post("/sign-up", response_class=HTMLResponse)
    def send(form: Filled, request: Request) -> HTMLResponse:
        _require_open(web)
        if looks_human(web.duskbell.keys, form, web.duskbell.clock()):
            sign_up(web, form.text("email"), network_of_request(web, request))
        return web.page("sign-up.html", sent=True)

    return router


def sign_up(web: Web, email: str, network: str) -> None:
    """Ask a new address to confirm itself; a known one gets a link to sign in. BadInput for no address."""
    now, keys = web.duskbell.clock(), web.duskbell.keys
    with web.writing.begin() as session:
        _, asked = access.welcome(session, keys, email, zone=people.UNKNOWN_ZONE, network=network, now=now)
        if asked is access.Asked.KNOWN:
            access.ask_to_sign_in(session, keys, email, network=network, now=now)
    web.nudge()


def _require_open(web: Web) -> None:
    if not web.duskbell.settings.open_sign_up:
        raise NothingHere
